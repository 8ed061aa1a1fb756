"""What the intake hands a printer's watcher."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.facts import BadgePresented, Fact, ReleaseAnswered, ReleaseEnded, ReleaseStarted
from pagereeve.domain.projection.projector import concerns_us

GATHERED: Final = (BadgePresented, ReleaseStarted, ReleaseAnswered, ReleaseEnded)
"""Of one release they come one after the other, and change the same rows."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """A new fact; for a release's notice also all start notices of that release, the earliest first.

    ``concerns_us`` is the earliest instant whose rows it may change, where somebody knows better than the fact itself.
    """

    fact: Fact
    starts: Sequence[ReleaseStarted] = ()
    concerns_us: int | None = None

    def starts_at(self, printer: str) -> list[ReleaseStarted]:
        return [one for one in self.starts if one.printer == printer]

    def concerned_us(self, printer: str) -> int:
        """The earliest instant whose rows at that printer it may change."""
        return concerns_us(self.fact, self.starts_at(printer)) if self.concerns_us is None else self.concerns_us
