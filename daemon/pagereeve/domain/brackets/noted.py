"""Pages inside a bracket that came while somebody noted maintenance, or behind a note of test pages: nobody's surplus.

A note doesn't say how many pages were made. It widens what is expected by as many as moved while it was in force,
between the readings that show it; no page that was asked for becomes the house's by it.
"""

from __future__ import annotations

from typing import Final

from pagereeve.domain.brackets.allocation import Movement
from pagereeve.domain.brackets.inner_levels import BracketPart, movers_between, steps_in
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.values.records import dataclass


@dataclass(frozen=True, slots=True)
class Noted:
    """At most so many ``pages`` of a part, and which notes say so."""

    pages: int = 0
    notes: tuple[str, ...] = ()

    def beyond(self, part: BracketPart) -> int:
        """Those that are more than its releases asked for."""
        most = part.expected.most if self.pages else None
        return 0 if most is None else min(self.pages, max(0, part.counted - most))


NOTHING_NOTED: Final = Noted()


def noted_in(channel: str, part: BracketPart, rules: Rules) -> Noted:
    if not rules.notes:
        return NOTHING_NOTED
    known = [(pages, rules.noted_work(from_us, to_us)) for from_us, to_us, pages in steps_in(channel, part)]
    notes = dict.fromkeys(note for pages, note in known if note)
    return Noted(sum(pages for pages, note in known if note), tuple(sorted(notes)))


def movements_of(channel: str, part: BracketPart, rules: Rules) -> list[Movement]:
    """What moved between the part's neighbouring readings, and whose it may be: nobody's where it was noted."""
    return [
        Movement(pages, () if rules.noted_work(from_us, to_us) else movers_between(part, from_us, to_us))
        for from_us, to_us, pages in steps_in(channel, part)
    ]
