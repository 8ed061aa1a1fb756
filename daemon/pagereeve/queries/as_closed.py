"""What an answer about a closed period says of itself: made of frozen rows, and what has changed since."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from pagereeve.domain.accounts.entries import Adjustment
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.ports.closing import ClosedPeriod

Lack = Literal["stretches", "causes", "prices"]
"""What the close did not freeze of it. ``stretches``: between which readings pages were counted; they never are.
``causes`` and ``prices``: it was closed before they were, or when the site had no prices.
"""


@dataclass(frozen=True, slots=True)
class AsClosed:
    """``changed`` is how many pages would be in another account today, in channels that are billed."""

    closed: ClosedPeriod
    changed: int
    lacks: tuple[Lack, ...] = ()


def pages_changed(adjustments: Iterable[Adjustment]) -> int:
    """What accounts would get; others give as many, as adjustments balance."""
    return sum(one.pages for one in adjustments if one.pages > 0 and one.key.channel in CLAIMED_CHANNELS)
