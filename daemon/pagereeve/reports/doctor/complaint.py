"""One thing that is wrong, or worth knowing, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.ledger import Severity
from pagereeve.domain.values.visible import visible

NAMED_MAX: Final = 5


@dataclass(frozen=True, slots=True)
class Complaint:
    """``advice``: nothing is wrong, and somebody should know it all the same."""

    severity: Severity
    what: str
    why: str
    do: str
    advice: bool = False


def some(texts: Sequence[str], between: str = ", ") -> str:
    """A few of them, and how many more."""
    shown = between.join(visible(text) for text in texts[:NAMED_MAX])
    return shown if len(texts) <= NAMED_MAX else f"{shown}{between}and {len(texts) - NAMED_MAX} more"
