"""The unit that each count of a reading is judged by: the one given, or what releases have shown of it by then."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

from pagereeve.domain.brackets.continuity import is_other_unit
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Count, Plateau, Unit, UnitGrade

# An assumed unit is a habit's word, and nothing is judged by it.
_UNSURE: Final = UnitGrade.ASSUMED


def judged(plateaus: Iterable[Plateau], rules: Rules) -> list[Plateau]:
    """Plateaus, each with the units in force when it began."""
    return [with_units(plateau, rules) for plateau in plateaus]


def held_unit(before: Count | None, count: Count) -> Count:
    """The count with the unit that it is judged by, after the last count that its run believed of the channel.

    While a count stands its unit stays what it was: what becomes known then holds from the next page on. So a level of
    the count has one unit, wherever a projection begins in it, and whatever was read in between that the run does not
    believe, or that lacked the channel.
    """
    if before is None or before.value != count.value or (before.unit is count.unit and before.grade is count.grade):
        return count
    if is_other_unit(before, count) or (before.object and count.object and before.object != count.object):
        # Another counter, or another word for it: a run ends there.
        return count
    return replace(count, unit=before.unit, grade=before.grade)


def with_counts(plateau: Plateau, held: Mapping[str, Count]) -> Plateau:
    """The plateau with other counts of some channels."""
    sight = plateau.sight
    counts = tuple((channel, held.get(channel, count)) for channel, count in sight.counts)
    return replace(plateau, sight=replace(sight, counts=counts))


def with_units(plateau: Plateau, rules: Rules) -> Plateau:
    """The plateau with the units in force when it began: what is learnt later changes nothing before."""
    sight = plateau.sight
    for _, count in sight.counts:
        if is_unsure(count):
            break
    else:
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
