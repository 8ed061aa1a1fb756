"""Maintenance and test pages inside brackets: at the house's account, and nobody is suspected of them."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.ledger import Verdict
from tests.unit.domain.story import POLICY, Story, accounts, brackets, charge, gaps, kinds


def two_together(note_s: float, counted: int) -> Story:
    """Two releases of four pages each, which come out mixed; a technician's page with them."""
    story = Story()
    story.reading(-1, 100)
    story.noted(note_s, "maintenance-begun")
    story.release(0, "A", pages=4)
    story.release(1, "B", pages=4)
    story.ended(2, "A")
    story.ended(3, "B")
    story.reading(8, 100 + counted - 1, state="printing")
    story.rest(12, 40, 100 + counted)
    return story


def test_of_a_shared_bracket_the_pages_beyond_are_the_houses_and_each_gets_its_own() -> None:
    ledger = two_together(-0.5, 10).ledger()
    assert accounts(ledger) == {"person:owner-A": 4, "person:owner-B": 4, "house:maintenance": 2}
    (joint,) = brackets(ledger)
    assert (joint.verdict, joint.grade, joint.counted) == (Verdict.AGREES, "matched", 10)
    assert joint.expected is not None
    assert joint.expected.holds(joint.counted)
    assert "maintenance" in joint.reasons
    assert "maintenance" in charge(ledger, "A").reasons
    assert kinds(ledger) == []


def test_only_what_moved_while_it_was_noted_may_be_maintenance() -> None:
    """The note comes when eleven pages are out, seven of them too many... of which only the last may be its."""
    ledger = two_together(9, 12).ledger()
    assert accounts(ledger)["house:maintenance"] == 1
    (joint,) = brackets(ledger)
    assert joint.verdict is Verdict.SURPLUS
    (finding,) = ledger.findings
    assert (finding.kind, finding.pages) == ("surplus", 3)


def test_a_note_takes_no_page_from_those_that_were_asked_for() -> None:
    ledger = two_together(-0.5, 8).ledger()
    assert accounts(ledger) == {"person:owner-A": 4, "person:owner-B": 4}
    short = two_together(-0.5, 7).ledger()
    assert "house:maintenance" not in accounts(short)
    assert kinds(short) == ["shortfall"]
    # What moved while it was noted proves nothing of anybody.
    assert charge(short, "A").charged == charge(short, "B").charged == 0


def test_test_pages_are_no_stray_pages() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.noted(1, "test-pages")
    story.rest(20, 500, 103)
    story.rest(600, 660, 105)
    ledger = story.ledger()
    assert [one.reasons for one in gaps(ledger)] == [("test-pages",), ()]
    assert accounts(ledger) == {"house:maintenance": 3, "house:stray": 2}
    assert kinds(ledger) == ["stray-pages"]


def test_nothing_is_told_of_a_surplus_while_it_prints_and_maintenance_is_on() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=4)
    story.noted(1, "maintenance-begun")
    story.reading(4, 104, state="printing")
    story.reading(6, 107, state="printing")
    assert kinds(story.ledger()) == []
    story.noted(7, "maintenance-ended")
    story.reading(8, 108, state="printing")
    assert kinds(story.ledger()) == []
    # Eight pages moved while it was noted, and four were asked for.
    story.reading(10, 112, state="printing")
    assert kinds(story.ledger()) == []
    story.reading(12, 113, state="printing")
    assert kinds(story.ledger()) == ["surplus"]


def test_what_is_noted_teaches_no_pattern() -> None:
    """Four releases in a row with a technician's page more than asked for are no banner sheets."""
    story = Story(replace(POLICY, tolerance_pages=0))
    story.noted(-50, "maintenance-begun")
    story.reading(-1, 100)
    for nth in range(4):
        at_s, before = 100 * nth, 100 + 5 * nth
        story.release(at_s, f"r{nth}", pages=4)
        story.ended(at_s + 3, f"r{nth}")
        story.rest(at_s + 8, at_s + 30, before + 5)
    assert kinds(story.ledger()) == []
    assert accounts(story.ledger())["house:maintenance"] == 4
