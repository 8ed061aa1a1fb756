"""Claims, counts and charges, the four policies, and the house's accounts (domain/README.md, step 7)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.charging.charges import Owed, legs_for
from pagereeve.domain.facts.policy import Charging
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Verdict
from tests.unit.domain.story import POLICY, Story, accounts, charge, gaps, kinds, printed


def _charged(charging: Charging, *, pages: int | None, moved: int) -> tuple[int, int, dict[str, int]]:
    story = Story(replace(POLICY, charging=charging))
    printed(story, 0, 100, 100 + moved, pages=pages)
    story.reading(90, 100 + moved)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert one.counted == moved
    return one.charged, one.unproven, accounts(ledger)


@pytest.mark.parametrize(
    ("charging", "moved", "charged", "house"),
    [
        ("lesser", 10, 10, {}),
        ("lesser", 12, 10, {"house:surplus": 2}),
        ("lesser", 7, 7, {}),
        ("counted", 12, 12, {}),
        ("counted", 7, 7, {}),
        ("released", 12, 10, {"house:surplus": 2}),
        # Billed beyond the count: the house's shortfall is a negative receipt.
        ("released", 7, 10, {"house:shortfall": -3}),
        ("released", 0, 10, {"house:shortfall": -10}),
        ("none", 12, 10, {"house:surplus": 2}),
        ("none", 7, 7, {}),
    ],
)
def test_every_policy_charges_what_it_says(charging: Charging, moved: int, charged: int, house: dict[str, int]) -> None:
    assert _charged(charging, pages=10, moved=moved) == (charged, 0, {"person:owner-r1": charged} | house)


@pytest.mark.parametrize(
    ("charging", "charged", "unproven", "received"),
    [
        ("lesser", 6, 0, {"person:owner-r1": 6}),
        ("counted", 6, 0, {"person:owner-r1": 6}),
        ("released", 6, 0, {"person:owner-r1": 6}),
        ("none", 6, 0, {"person:owner-r1": 6}),
    ],
)
def test_a_ticket_without_pages_bounds_no_charge(
    charging: Charging, charged: int, unproven: int, received: dict[str, int]
) -> None:
    """Nobody knows what was asked for: all that was counted lies within it, in a bracket of its own."""
    assert _charged(charging, pages=None, moved=6) == (
        charged,
        unproven,
        {name: pages for name, pages in received.items() if pages},
    )


@pytest.mark.parametrize(("charging", "unproven"), [("lesser", 8), ("counted", 8), ("released", 8), ("none", 0)])
def test_without_any_proof_the_claim_stands_apart_or_not_at_all(charging: Charging, unproven: int) -> None:
    story = Story(replace(POLICY, charging=charging))
    story.release(0, pages=8)
    story.ended(3)
    story.rest(6, 90, 500)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.charged, one.unproven, one.counted, one.released) == (0, unproven, None, 8)
    assert one.verdict is Verdict.UNPROVEN
    # The count is nobody's yet: nothing is posted that the meter did not show.
    assert accounts(ledger) == {}


@pytest.mark.parametrize(("copies", "charged", "unproven"), [(None, 15, 0), (3, 15, 0), (2, 10, 0)])
def test_copies_that_the_ticket_leaves_open_are_charged_as_counted(
    copies: int | None, charged: int, unproven: int
) -> None:
    story = Story()
    printed(story, 0, 100, 115, pages=5, copies=copies)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.charged, one.unproven) == (charged, unproven)
    assert one.verdict is (Verdict.SURPLUS if copies == 2 else Verdict.AGREES)
    assert sum(accounts(ledger).values()) == 15


def test_blank_backs_and_separators_are_the_houses() -> None:
    story = Story()
    printed(story, 0, 100, 106, pages=3, sides="two-sided-long-edge", separator_sheets=1)
    ledger = story.ledger()
    assert charge(ledger, "r1").verdict is Verdict.AGREES
    assert accounts(ledger) == {"person:owner-r1": 3, "house:surplus": 3}


def test_a_calibrated_printer_finds_the_missing_back() -> None:
    story = Story(replace(POLICY, blank_backs="counted"))
    printed(story, 0, 100, 103, pages=3, sides="two-sided-long-edge")
    assert charge(story.ledger(), "r1").verdict is Verdict.SHORTFALL


def test_a_cancelled_job_pays_for_what_came_out() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=20)
    story.reading(3, 103, state="printing")
    story.ended(4, outcome="cancelled")
    story.rest(8, 30, 105)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.charged, one.verdict, one.released) == (5, Verdict.AGREES, 20)
    assert "cancelled" in one.reasons
    assert kinds(ledger) == []


def test_pages_during_maintenance_are_the_maintenance_accounts_and_no_finding() -> None:
    story = Story()
    story.rest(0, 60, 100, every=30)
    story.noted(70, "maintenance-begun", "new fuser")
    story.rest(80, 120, 112, every=20)
    story.noted(130, "maintenance-ended")
    story.rest(140, 160, 115, every=20)
    story.rest(200, 220, 116, every=20)
    ledger = story.ledger()
    # Of the gap in which it ended nobody can say which pages came before: the technician's test pages most likely.
    assert accounts(ledger) == {"house:maintenance": 15, "house:stray": 1}
    assert [one.reasons for one in gaps(ledger)] == [("maintenance",), ("maintenance",), ()]
    assert kinds(ledger) == ["stray-pages"]


def test_a_release_during_maintenance_is_charged_as_ever() -> None:
    story = Story()
    story.noted(-10, "maintenance-begun")
    printed(story, 0, 100, 104, pages=4)
    assert accounts(story.ledger()) == {"person:owner-r1": 4}


def test_one_owner_of_two_releases_in_a_bracket_is_one_leg() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "a", pages=2, owner="ann")
    story.release(1, "b", pages=3, owner="ann")
    story.ended(4, "a")
    story.ended(4, "b")
    story.rest(8, 30, 105)
    (posting,) = story.ledger().postings
    assert posting.legs == (("meter:invented-printer", -5), ("person:ann", 5))


def test_nothing_counted_is_nothing_posted() -> None:
    story = Story()
    printed(story, 0, 100, 100, pages=4)
    story.rest(40, 90, 100)
    assert story.ledger().postings == []


def test_legs_always_sum_to_zero_and_leave_out_what_is_empty() -> None:
    """What was due and is not surely anybody's is nobody's; a claim without a count is in no leg."""
    owed = [("ann", Owed(3, 0, 3)), ("ben", Owed(0, 2, 2)), ("cleo", Owed(0))]
    assert legs_for("p", "total", 7, owed) == (
        ("meter:p", -7),
        ("house:surplus", 2),
        ("house:unattributed", 2),
        ("person:ann", 3),
    )
    assert legs_for("p", "total", 4, owed) == (
        ("meter:p", -4),
        ("house:unattributed", 1),
        ("person:ann", 3),
    )
    assert legs_for("p", "total", 7, owed, fits=False, others=1) == (
        ("meter:p", -7),
        ("house:other-function", 1),
        ("house:unattributed", 3),
        ("person:ann", 3),
    )
    assert legs_for("p", "total", 2, owed) == (("meter:p", -2), ("house:shortfall", -1), ("person:ann", 3))
    assert legs_for("p", "total", 0, []) == ()


def test_the_lesser_is_taken_in_the_meters_own_unit() -> None:
    story = Story()
    story.reading(-1, 100, unit=Unit.SHEETS)
    story.release(0, pages=9, sides="two-sided-short-edge")
    story.ended(3)
    story.rest(6, 30, 106, unit=Unit.SHEETS)
    one = charge(story.ledger(), "r1")
    assert (one.unit, one.released, one.counted, one.charged) == (Unit.SHEETS, 5, 6, 5)
    assert one.verdict is Verdict.SURPLUS
