"""Explain's readings show the counter that was billed, and others where they moved by something else."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.facts.facts import CounterChosen, Fact, PlateauRead, SettleLearned
from pagereeve.domain.facts.reading import Count, Counter, Unit, UnitGrade
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.explain import explained
from pagereeve.queries.release_evidence import gather
from pagereeve.reports.explain import explain_all
from pagereeve.reports.timeline import timeline
from tests.histories import PRINTER, SIMPLE, at, ended, journal_of, policy, reading, started

FIRST, SECOND = "1.3.6.1.2.1.43.10.2.1.4.1.1", "1.3.6.1.2.1.43.10.2.1.4.1.2"
BERLIN = ZoneInfo("Europe/Berlin")


def both(first: float, last: float, value: int, other: int, unit: Unit = Unit.IMPRESSIONS) -> PlateauRead:
    """Readings of the first of two counters; the other one stands beside it."""
    read = reading(first, last, value)
    count = Count(value, Unit.IMPRESSIONS, object=FIRST)
    counters = (
        Counter(FIRST, value, "total", "Printer-MIB", Unit.IMPRESSIONS, UnitGrade.SAID),
        Counter(SECOND, other, "total", "Printer-MIB", unit, UnitGrade.SAID),
    )
    sight = replace(read.plateau.sight, counts=(("total", count),), counters=counters)
    return replace(read, plateau=replace(read.plateau, sight=sight))


def story(before: tuple[int, int], after: tuple[int, int], unit: Unit = Unit.IMPRESSIONS) -> tuple[Fact, ...]:
    return (
        policy(),
        both(-1800, -1, *before, unit=unit),
        started("r-1", 0, "anise", SIMPLE),
        ended("r-1", 6),
        both(9, 60, *after, unit=unit),
    )


def chosen(seconds: float) -> SettleLearned:
    one = CounterChosen("total", SECOND, "moves-with-releases")
    return SettleLearned(PRINTER, at(seconds), 10 * SECOND_US, chosen=(one,))


async def readings(facts: tuple[Fact, ...]) -> list[str]:
    (evidence,) = await gather(await journal_of(facts), "r-1")
    return [one.what for one in timeline(evidence) if one.what.startswith("meter read")]


async def test_the_counter_that_was_chosen_is_the_one_that_is_shown() -> None:
    facts = (chosen(-900), *story((9000, 100), (9000, 105)))
    before, after = await readings(facts)
    assert before.startswith("meter read (the reading before): total 100 (idle)")
    assert after.startswith("meter read (the reading after): total 105 (idle)")
    assert after.endswith(
        f"; another counter of total disagrees: 9000, moved by 0 where the billed one moved by 5 ({FIRST}, Printer-MIB)"
    )
    text = explain_all(await explained(await journal_of(facts), "r-1"), BERLIN)
    assert "Counted: 105 - 100 = 5" in text


async def test_before_the_choice_the_one_that_was_read_is_shown() -> None:
    before, after = await readings((*story((9000, 100), (9000, 105)), chosen(3600)))
    assert "total 9000 (idle)" in before
    assert "total 9000 (idle)" in after
    assert "disagrees: 105, moved by 5 where the billed one moved by 0" in after


@pytest.mark.parametrize(
    ("after", "unit", "disagrees"),
    [
        ((9005, 105), Unit.IMPRESSIONS, False),
        # Levels that differ are no disagreement, and a counter that fell is another matter.
        ((9005, 3), Unit.IMPRESSIONS, False),
        ((9005, 103), Unit.SHEETS, False),
        ((9005, 103), Unit.UNKNOWN, False),
        ((9005, 103), Unit.IMPRESSIONS, True),
        ((9005, 100), Unit.SHEETS, True),
        ((9000, 101), Unit.UNKNOWN, True),
    ],
)
async def test_a_witness_is_shown_only_where_it_disagrees(after: tuple[int, int], unit: Unit, disagrees: bool) -> None:
    before, now = await readings(story((9000, 100), after, unit))
    assert "disagrees" not in before
    assert ("disagrees" in now) is disagrees
