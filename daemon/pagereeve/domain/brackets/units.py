"""The unit that each count of a reading is judged by: the one given, or what releases have shown of it by then."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Count, Plateau, Unit, UnitGrade

# An assumed unit is a habit's word, and nothing is judged by it.
_UNSURE: Final = UnitGrade.ASSUMED


def with_units(plateau: Plateau, rules: Rules) -> Plateau:
    """The plateau with the units in force when it began: what is learnt later changes nothing before."""
    sight = plateau.sight
    if not any(is_unsure(count) for _, count in sight.counts):
        return plateau
    at_us = plateau.first_received_us
    counts = tuple((channel, judged_by(channel, count, rules, at_us)) for channel, count in sight.counts)
    return replace(plateau, sight=replace(sight, counts=counts))


def is_unsure(count: Count) -> bool:
    """Nobody and nothing says what the counter steps in."""
    return count.unit is Unit.UNKNOWN or count.grade is _UNSURE


def judged_by(channel: str, count: Count, rules: Rules, at_us: int) -> Count:
    """The count with the unit that it is judged by at an instant, and how that is known."""
    if not is_unsure(count):
        return count
    learned = rules.unit_learned(channel, count.object, at_us)
    if learned is None:
        return replace(count, unit=Unit.UNKNOWN, grade=_UNSURE)
    return replace(count, unit=learned, grade=UnitGrade.INFERRED)
