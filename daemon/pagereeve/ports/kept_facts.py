"""What questions about one journal share: each with what it was made of, so that it is never older than its journal."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.accounts.people import People
from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.ports.kept_sums import KeptSums

RUNS_MAX: Final = 10_000
"""Open runs of so many printers are kept as they were read; a site has 5,000."""


@dataclass(frozen=True, slots=True)
class KeptPeople:
    """Who is who after the first ``tail`` facts of the site's own timeline. Nothing is added to ``people`` any more."""

    tail: int
    people: People


@dataclass(slots=True)
class KeptFacts:
    """Facts and what follows from them, before anything is decided of who may see it. ``runs``: by printer, what its
    open run is stored as, and what that says.
    """

    people: KeptPeople | None = None
    runs: dict[str, tuple[str, PlateauRead | ReadFailed]] = field(default_factory=dict)
    sums: KeptSums = field(default_factory=KeptSums)

    def run(self, printer: str, body: str) -> PlateauRead | ReadFailed | None:
        """None where it isn't known as stored now."""
        known = self.runs.get(printer)
        return known[1] if known is not None and known[0] == body else None

    def keep_run(self, printer: str, body: str, run: PlateauRead | ReadFailed) -> None:
        if printer in self.runs or len(self.runs) < RUNS_MAX:
            self.runs[printer] = (body, run)
