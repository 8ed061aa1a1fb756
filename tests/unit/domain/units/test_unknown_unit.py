"""A counter whose unit nobody says: between its sheets and its sides, and never a refusal or an alarm."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Any

import pytest

from pagereeve.domain.brackets.expectation import expect
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Unit, UnitGrade
from pagereeve.domain.facts.ticket import Sides, Ticket
from pagereeve.domain.ledger import Interval, Verdict
from tests.unit.domain.story import POLICY, Story, accounts, charge, kinds

TWO: Sides = "two-sided-long-edge"


def counted(value: int, unit: Unit = Unit.UNKNOWN, grade: UnitGrade = UnitGrade.ASSUMED) -> dict[str, Count]:
    return {"total": Count(value, unit, grade=grade)}


def told(second: float, story: Story, before: Count, after: int, *, release: str = "r1", **ticket: Any) -> None:
    """One release alone: its count and end, then the meter's rest."""
    story.reading(second - 1, counts={"total": before})
    story.release(second, release, **ticket)
    story.ended(second + 5, release)
    story.rest(second + 8, second + 40, None, counts={"total": replace(before, value=after)})


@pytest.mark.parametrize(
    ("pages", "sides", "copies", "count", "claim"),
    [
        # RFC 2707 section 2: a sheet has two sides; RFC 8011 section 5.2.8.
        (4, TWO, 1, (2, 4), (2, 4)),
        (5, TWO, 2, (6, 12), (6, 10)),
        (1, TWO, 1, (1, 2), (1, 1)),
        (7, "one-sided", 3, (21, 21), (21, 21)),
        (7, None, 1, (4, 8), (4, 7)),
    ],
)
def test_it_costs_between_its_sheets_and_its_sides(
    pages: int, sides: Sides | None, copies: int, count: tuple[int, int], claim: tuple[int, int]
) -> None:
    asked = Ticket(pages=pages, copies=copies, number_up=1, sides=sides, separator_sheets=0)
    expected = expect("total", Unit.UNKNOWN, asked, None, Policy())
    assert (expected.count, expected.claim) == (Interval(*count), Interval(*claim))
    assert ("unit-unknown" in expected.reasons) == (count[0] != count[1])


@pytest.mark.parametrize(
    ("pages", "copies", "up", "sides", "sheets"),
    list(product((None, 1, 3, 8), (None, 1, 3), (None, 1, 2), (None, "one-sided", TWO), (None, 0, 2))),
)
def test_whatever_the_unit_is_its_own_interval_lies_within(
    pages: int | None, copies: int | None, up: int | None, sides: Sides | None, sheets: int | None
) -> None:
    asked = Ticket(pages=pages, copies=copies, number_up=up, sides=sides, separator_sheets=sheets)
    either = expect("total", Unit.UNKNOWN, asked, None, Policy())
    for unit in (Unit.IMPRESSIONS, Unit.SHEETS):
        one = expect("total", unit, asked, None, Policy())
        assert either.count.least <= one.count.least
        assert either.count.most is None or (one.count.most is not None and one.count.most <= either.count.most)
        assert either.by_unit == one.by_unit
        if not either.by_unit:
            assert either.claim == one.claim


def test_one_sided_work_is_exact_and_charged_at_once() -> None:
    story = Story()
    told(0, story, counted(100)["total"], 107, pages=7, sides="one-sided")
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.released, one.counted, one.charged, one.unproven, one.verdict) == (7, 7, 7, 0, Verdict.AGREES)
    assert one.unit is Unit.UNKNOWN
    assert not {"unit-unknown", "unit-below-need"}.intersection(one.reasons)


@pytest.mark.parametrize("moved", [2, 3, 4])
def test_two_sided_work_agrees_and_is_not_charged_by_default(moved: int) -> None:
    story = Story()
    told(0, story, counted(100)["total"], 100 + moved, pages=4, sides=TWO)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.released, one.counted, one.charged, one.unproven, one.verdict) == (None, moved, 0, 2, Verdict.AGREES)
    assert {"unit-unknown", "unit-below-need"} <= set(one.reasons)
    assert accounts(ledger) == {"house:unattributed": moved}
    assert not {"surplus", "shortfall", "unproven-release"}.intersection(kinds(ledger))


def test_a_count_that_fits_neither_unit_still_is_a_difference() -> None:
    story = Story()
    told(0, story, counted(100)["total"], 109, pages=4, sides=TWO)
    ledger = story.ledger()
    assert charge(ledger, "r1").verdict is Verdict.SURPLUS
    assert accounts(ledger) == {"house:surplus": 5, "house:unattributed": 4}


@pytest.mark.parametrize(
    ("needs", "grade", "charged"),
    [
        *((needs, needs, 4) for needs in UnitGrade if needs is not UnitGrade.ASSUMED),
        (UnitGrade.PROVEN, UnitGrade.INFERRED, 0),
        (UnitGrade.PROVEN, UnitGrade.SAID, 0),
        (UnitGrade.INFERRED, UnitGrade.SAID, 0),
        (UnitGrade.INFERRED, UnitGrade.PROVEN, 4),
        (UnitGrade.SAID, UnitGrade.INFERRED, 4),
        (UnitGrade.ASSUMED, UnitGrade.SAID, 4),
    ],
)
def test_the_policy_says_how_well_the_unit_must_be_known(needs: UnitGrade, grade: UnitGrade, charged: int) -> None:
    story = Story(replace(POLICY, charging_needs=needs))
    told(0, story, Count(100, Unit.IMPRESSIONS, grade=grade), 104, pages=4, sides=TWO)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.charged, one.unproven) == (charged, 4 - charged)
    assert ("unit-below-need" in one.reasons) == (charged == 0)
    assert accounts(ledger) == {"person:owner-r1" if charged else "house:unattributed": 4}


def test_who_asks_for_no_more_is_charged_what_was_counted_within_the_claim() -> None:
    story = Story(replace(POLICY, charging_needs=UnitGrade.ASSUMED))
    told(0, story, counted(100)["total"], 104, pages=4, sides=TWO)
    assert (charge(story.ledger(), "r1").charged, charge(story.ledger(), "r1").unproven) == (4, 0)


def test_a_habits_word_is_judged_as_none() -> None:
    story = Story()
    told(0, story, Count(100, Unit.IMPRESSIONS, grade=UnitGrade.ASSUMED), 102, pages=4, sides=TWO)
    one = charge(story.ledger(), "r1")
    assert (one.unit, one.verdict) == (Unit.UNKNOWN, Verdict.AGREES)


def test_of_a_shared_bracket_each_release_is_asked_alone() -> None:
    story = Story()
    story.reading(-1, counts=counted(100))
    story.release(0, "r1", pages=3, sides="one-sided")
    story.release(2, "r2", pages=4, sides=TWO)
    story.ended(5, "r1")
    story.ended(6, "r2")
    story.rest(8, 60, None, counts=counted(107))
    ledger = story.ledger()
    one, two = charge(ledger, "r1"), charge(ledger, "r2")
    assert (one.charged, one.unproven) == (3, 0)
    assert (two.charged, two.unproven) == (0, 2)
    assert accounts(ledger) == {"person:owner-r1": 3, "house:unattributed": 4}


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (Count(100, Unit.UNKNOWN), Count(100, Unit.SHEETS)),
        (Count(100, Unit.IMPRESSIONS), Count(100, Unit.UNKNOWN)),
        (Count(100, Unit.SHEETS), Count(100, Unit.SHEETS, grade=UnitGrade.PROVEN)),
        (Count(100, Unit.SHEETS, grade=UnitGrade.INFERRED), Count(100, Unit.IMPRESSIONS)),
    ],
)
def test_what_becomes_known_of_a_unit_ends_no_run(before: Count, after: Count) -> None:
    story = Story()
    story.rest(-60, -10, None, counts={"total": before})
    told(0, story, after, 104, pages=4, sides="one-sided")
    ledger = story.ledger()
    assert "unit-changed" not in kinds(ledger)
    assert {one.run for one in ledger.stretches} == {1}


def test_another_word_for_the_unit_ends_one() -> None:
    story = Story()
    story.rest(-60, -10, None, counts={"total": Count(100, Unit.IMPRESSIONS)})
    told(0, story, Count(100, Unit.SHEETS, grade=UnitGrade.PROVEN), 104, pages=4, sides="one-sided")
    assert "unit-changed" in kinds(story.ledger())


def test_a_counter_of_sheets_needs_nobody_to_say_that_it_counts_them() -> None:
    story = Story(replace(POLICY, charging_needs=UnitGrade.PROVEN))
    counts = {"sheets": Count(50, Unit.SHEETS), "total": Count(100, Unit.IMPRESSIONS)}
    story.reading(-1, counts=counts)
    story.release(0, "r1", pages=4, sides=TWO)
    story.ended(5, "r1")
    after = {"sheets": Count(52, Unit.SHEETS), "total": Count(104, Unit.IMPRESSIONS)}
    story.rest(8, 40, None, counts=after)
    ledger = story.ledger()
    assert [charge(ledger, "r1", name).charged for name in ("sheets", "total")] == [2, 0]
