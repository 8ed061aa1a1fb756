"""Copies beside a release, where the meter counts them apart: nobody's surplus."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.ledger import Verdict
from tests.findings import text_of
from tests.unit.domain.story import POLICY, Story, accounts, charge, gaps, impressions, kinds


def beside(total: int, prints: int, copies: int, *, pages: int = 7, tolerance: int = 0) -> Story:
    """One release of ``pages``, and what the three counters stepped meanwhile."""
    story = Story(replace(POLICY, tolerance_pages=tolerance))
    story.reading(-1, counts=impressions(total=1000, prints=600, copies=400))
    story.release(0, pages=pages)
    story.ended(3)
    for second in (8, 20, 30):
        story.reading(second, counts=impressions(total=1000 + total, prints=600 + prints, copies=400 + copies))
    return story


def test_copies_made_while_seven_pages_are_released_are_not_the_users() -> None:
    # Ricoh SP 310DN service manual: total +10, print-only +7.
    ledger = beside(10, 7, 3).ledger()
    one = charge(ledger, "r1")
    assert (one.released, one.counted, one.charged) == (7, 7, 7)
    assert one.verdict is Verdict.AGREES
    assert "other-function" in one.reasons
    assert accounts(ledger) == {"person:owner-r1": 7, "house:other-function": 3}
    assert charge(ledger, "r1", "prints").verdict is Verdict.AGREES
    assert accounts(ledger, "copies") == {"house:other-function": 3}
    assert charge(ledger, "r1", "copies").charged == 0
    assert kinds(ledger) == []


def test_what_copies_do_not_explain_stays_a_surplus() -> None:
    ledger = beside(12, 9, 3).ledger()
    assert charge(ledger, "r1").verdict is Verdict.SURPLUS
    assert accounts(ledger) == {"person:owner-r1": 7, "house:other-function": 3, "house:surplus": 2}
    assert kinds(ledger) == ["surplus"]


def test_what_is_left_after_the_copies_may_be_as_much_as_the_tolerance() -> None:
    assert charge(beside(12, 9, 3, tolerance=2).ledger(), "r1").verdict is Verdict.AGREES
    assert charge(beside(12, 9, 3, tolerance=1).ledger(), "r1").verdict is Verdict.SURPLUS


def test_a_single_copy_beside_a_release_is_moved_too() -> None:
    ledger = beside(8, 7, 1).ledger()
    assert accounts(ledger) == {"person:owner-r1": 7, "house:other-function": 1}
    assert charge(ledger, "r1").verdict is Verdict.AGREES


def test_copies_that_the_total_does_not_know_of_move_nothing() -> None:
    """A meter whose total leaves copies out: there is no posting of the total to move them from."""
    story = Story()
    story.reading(0, counts=impressions(total=100, copies=10))
    story.reading(600, counts=impressions(total=100, copies=13))
    ledger = story.ledger()
    assert accounts(ledger) == {}
    assert accounts(ledger, "copies") == {"house:other-function": 3}
    assert kinds(ledger) == []
    agreeing = beside(7, 7, 3).ledger()
    assert accounts(agreeing) == {"person:owner-r1": 7}
    assert "other-function" not in charge(agreeing, "r1").reasons


def test_copies_hide_no_shortfall() -> None:
    ledger = beside(5, 5, 0).ledger()
    assert charge(ledger, "r1").verdict is Verdict.SHORTFALL
    # By the total all seven came out; three of them were copies, and by the counter of prints three are missing.
    hidden = beside(7, 4, 3).ledger()
    one = charge(hidden, "r1")
    assert (one.verdict, one.counted, one.charged) == (Verdict.SHORTFALL, 4, 4)
    assert charge(hidden, "r1", "prints").verdict is Verdict.SHORTFALL
    assert accounts(hidden) == {"person:owner-r1": 4, "house:other-function": 3}
    (finding,) = hidden.findings
    assert finding.pages == -3


def test_copies_while_nobody_releases_are_no_stray_pages() -> None:
    story = Story()
    story.reading(0, counts=impressions(total=100, copies=10))
    story.reading(600, counts=impressions(total=105, copies=13))
    ledger = story.ledger()
    assert [one.counted for one in gaps(ledger)] == [5]
    assert accounts(ledger) == {"house:other-function": 3, "house:stray": 2}
    (finding,) = ledger.findings
    assert finding.kind == "stray-pages"
    assert text_of(finding).startswith("2 impressions counted without a release")
    only_copies = Story()
    only_copies.reading(0, counts=impressions(total=100, copies=10))
    only_copies.reading(600, counts=impressions(total=103, copies=13))
    assert kinds(only_copies.ledger()) == []


def test_what_the_engine_picked_is_no_persons() -> None:
    story = Story()
    story.reading(-1, counts=impressions(total=100, picked=100))
    story.release(0, pages=10)
    story.ended(3)
    for second in (8, 20, 30):
        story.reading(second, counts=impressions(total=110, picked=111))
    ledger = story.ledger()
    assert accounts(ledger) == {"person:owner-r1": 10}
    assert accounts(ledger, "picked") == {"house:other-function": 11}
    assert kinds(ledger) == []
