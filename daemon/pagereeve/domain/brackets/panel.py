"""Figures that people read from a panel, as readings of a printer that has no other meter.

Each is known for the one instant at which it was read. Parts of the total count where they were read together with it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from pagereeve.domain.brackets.prints import SHEETS, TOTAL
from pagereeve.domain.facts.facts import ReadingNoted
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.panel import standing
from pagereeve.domain.facts.reading import Count, Plateau, PrinterState, Reading, Sight, Unit, UnitGrade

PANEL: Final = "panel"
"""Names the counter: one of a meter that is asked is another."""


def panel_plateaus(noted: Iterable[ReadingNoted], rules: Rules) -> list[Plateau]:
    """In order of time: one for each instant at which the total was read, under a policy that goes by the panel."""
    figures: dict[int, dict[str, Count]] = {}
    for one in standing(noted):
        unit = rules.policy_at(one.at_us).panel_unit
        if unit is not None:
            figures.setdefault(one.at_us, {})[one.channel] = _count(one.channel, one.figure, unit)
    return [_plateau(at_us, counts) for at_us, counts in sorted(figures.items()) if TOTAL in counts]


def is_of_panel(plateau: Plateau) -> bool:
    return any(count.object == PANEL for _, count in plateau.sight.counts)


def _count(channel: str, figure: int, unit: Unit) -> Count:
    """Where it wraps nobody knows. Its unit is somebody's word."""
    return Count(figure, Unit.SHEETS if channel == SHEETS else unit, 0, PANEL, UnitGrade.SAID)


def _plateau(at_us: int, counts: dict[str, Count]) -> Plateau:
    return Plateau.of(Reading(at_us, at_us, Sight(counts=tuple(sorted(counts.items())), state=PrinterState.ABSENT)))
