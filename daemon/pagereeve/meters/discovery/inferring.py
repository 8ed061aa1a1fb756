"""A unit that nobody says, from the printer's other counters; and what those say against a unit that is said.

One-sided work counts as many sides as sheets, so a counter that equals another proves its unit only as far as the
printer has printed on both sides: an inference, and graded as one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.meters.discovery.choosing import Candidate, Choice
from pagereeve.meters.discovery.consistency import COLOURS, FUNCTIONS, SLACK_PAGES, slack
from pagereeve.meters.discovery.units import KnownUnit

# So many times the slack a count must be, or closeness says nothing.
TELLING: Final = 10


def infer_units(choice: Choice) -> None:
    """Put inferred units into a choice; what contradicts a unit that is said is noted."""
    for one in [one for one in choice.chosen if one.channel.name == "total"]:
        units = _evidence(one, [other for other in (*choice.chosen, *choice.witnesses) if other is not one])
        if one.unit is None and len(units) == 1:
            _infer(choice, one, units.pop())
        elif one.unit is None and units:
            choice.notes.append("its other counters leave open whether the total counts sides or sheets")
        elif one.unit is not None and (strange := _against(one, choice)) is not None:
            choice.notes.append(f"its total is said to count {one.unit}, yet its two-sided pages make it {strange}")
    total = next((one for one in choice.chosen if one.channel.name == "total"), None)
    if total is not None and total.unit is not None:
        _infer_parts(choice, total)


def _evidence(total: Candidate, others: Sequence[Candidate]) -> set[Unit]:
    units = {two} if (two := _two_sided(total, others)) is not None else set()
    if units:
        return units
    known = [other for other in others if other.unit is not None and other.known.grade is not UnitGrade.ASSUMED]
    for other in known:
        if other.channel.name == "total" and _close(total.figure.value, other.figure.value):
            units.add(_known(other))
    for source in {other.channel.source for other in known}:
        colours = [other for other in known if other.channel.source == source and other.channel.name in COLOURS]
        names = {other.channel.name for other in colours}
        alike = len({other.unit for other in colours}) == 1
        if {"mono", "colour"} <= names and len(names) == len(colours) and alike:
            whole = sum(other.figure.value for other in colours)
            if _close(total.figure.value, whole):
                units.add(_known(colours[0]))
    return units


def _two_sided(total: Candidate, others: Sequence[Candidate]) -> Unit | None:
    """What two-sided work shows: more two-sided sides than the total has steps, or more sides than sheets."""
    value = total.figure.value
    for other in others:
        name, unit, count = other.channel.name, other.unit, other.figure.value
        sides = count * (2 if unit is Unit.SHEETS else 1)
        if name == "duplex" and unit is not None and sides > value + slack(value):
            return Unit.SHEETS
        if name == "sheets" and unit is Unit.SHEETS and value > count + slack(count) and value > TELLING * SLACK_PAGES:
            return Unit.IMPRESSIONS
    return None


def _against(total: Candidate, choice: Choice) -> Unit | None:
    shown = _two_sided(total, [one for one in (*choice.chosen, *choice.witnesses) if one is not total])
    return None if shown is total.unit else shown


def _close(value: int, other: int) -> bool:
    if value == other:
        return value > SLACK_PAGES
    return abs(value - other) <= slack(other) and min(value, other) >= TELLING * SLACK_PAGES


def _infer_parts(choice: Choice, total: Candidate) -> None:
    """Parts that make up the total count what the total counts."""
    for names in (COLOURS, FUNCTIONS):
        parts = [one for one in choice.chosen if one.channel.name in names]
        unknown = [one for one in parts if one.unit is None]
        known = {one.unit for one in parts} - {None}
        whole = sum(one.figure.value for one in parts)
        if len(parts) > 1 and unknown and known <= {total.unit} and _close(total.figure.value, whole):
            for one in unknown:
                _infer(choice, one, _known(total))


def _infer(choice: Choice, one: Candidate, unit: Unit) -> None:
    channel = replace(one.channel, inferred=unit, why=f"{one.channel.why}; its unit follows from its other counters")
    place = choice.chosen.index(one)
    choice.chosen[place] = Candidate(channel, one.figure, KnownUnit(unit, UnitGrade.INFERRED), one.said)


def _known(one: Candidate) -> Unit:
    return one.known.unit
