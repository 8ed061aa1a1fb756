"""The meter passes what was released while it still prints: told at once, and once."""

from __future__ import annotations

from dataclasses import replace

from tests.findings import text_of
from tests.unit.domain.story import POLICY, Story, finding, kinds


def printing(counts: list[int], *, pages: int = 4, tolerance: int = 0) -> Story:
    story = Story(replace(POLICY, tolerance_pages=tolerance))
    story.reading(-1, 100)
    story.release(0, pages=pages)
    for nth, count in enumerate(counts):
        story.reading(3 + 2 * nth, 100 + count, state="printing")
    return story


def test_it_is_told_at_the_first_reading_beyond() -> None:
    assert kinds(printing([1, 2, 4]).ledger()) == []
    told = finding(printing([1, 2, 4, 5]).ledger(), "surplus")
    assert text_of(told).startswith("5 impressions counted so far, 4 expected")
    assert (told.state, told.pages) == ("open", 1)
    later = finding(printing([1, 2, 4, 5, 9, 14]).ledger(), "surplus")
    assert later == told


def test_it_keeps_its_id_when_the_bracket_closes() -> None:
    story = printing([2, 6])
    early = finding(story.ledger(), "surplus")
    story.ended(8)
    story.rest(10, 60, 112)
    final = finding(story.ledger(), "surplus")
    assert (final.id, final.since_us) == (early.id, early.since_us)
    assert text_of(final).startswith("12 impressions counted, 4 expected")
    assert final.pages == 8


def test_the_tolerance_is_the_limit() -> None:
    assert kinds(printing([6], tolerance=2).ledger()) == []
    assert kinds(printing([7], tolerance=2).ledger()) == ["surplus"]


def test_the_first_releases_tolerance_is_the_brackets() -> None:
    story = printing([], tolerance=2)
    story.set_policy(1, replace(POLICY, tolerance_pages=0))
    story.release(2, "second", pages=4)
    story.reading(4, 110, state="printing")
    assert kinds(story.ledger()) == []
    story.reading(6, 111, state="printing")
    assert kinds(story.ledger()) == ["surplus"]


def test_it_is_told_of_the_run_under_way_whatever_ran_before() -> None:
    story = Story()
    story.rest(-300, -200, 9000)
    story.serial = "K2"
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.reading(3, 105, state="printing")
    assert "surplus" in kinds(story.ledger())


def test_a_second_release_may_be_whose_pages_these_are() -> None:
    story = printing([2, 6])
    assert kinds(story.ledger()) == ["surplus"]
    story.release(6, "second", pages=4)
    assert kinds(story.ledger()) == []


def test_a_ticket_that_says_nothing_is_never_passed() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=None)
    story.reading(3, 190, state="printing")
    assert kinds(story.ledger()) == []


def test_a_count_of_another_run_says_nothing() -> None:
    story = printing([2])
    story.serial = "K2"
    story.reading(9, 5000, state="printing")
    assert "surplus" not in kinds(story.ledger())
