"""What a stored start notice becomes when the time of its job's title is over."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any, Final

from pagereeve.domain.facts.events import RELEASE_STARTED
from pagereeve.domain.facts.personal import kind_of
from pagereeve.domain.seal.commitments import member, with_member
from pagereeve.domain.seal.erasure import ERASED
from pagereeve.store.records.encoding import canonical_text
from pagereeve.store.records.erasing import Eraser

TITLE: Final = "data.ticket.title"
_GONE: Final = re.compile(rf"{ERASED}[0-9a-f]{{12}}(-[0-9]+)?")
HOLDS_TITLE: Final = '"title":'
"""A body that holds none has no title."""


@dataclass(slots=True)
class TitleEraser(Eraser):
    """Takes titles, of whomever, and nothing else."""

    def claim_without(self, body: str) -> str | None:
        """What was kept aside of a start notice; None where its title is gone, or never was. Its digest stays: findings
        name the claim by it.
        """
        members = json.loads(body)
        if _title_of(members) is None or title_gone(body):
            return None
        return canonical_text(with_member(members, TITLE, self.text()))

    def _value(self, kind: str, members: dict[str, Any], name: str) -> str | None:  # noqa: ARG002 - Eraser
        return self.text() if (kind, name) == (RELEASE_STARTED, TITLE) else None


def title_gone(body: str) -> bool:
    """A name of an erasure stands in the place of its title. Raises ValueError for what is no JSON."""
    title = _title_of(json.loads(body))
    return isinstance(title, str) and _GONE.fullmatch(title) is not None


def _title_of(members: dict[str, Any]) -> Any:
    return member(members, TITLE) if kind_of(members) == RELEASE_STARTED else None
