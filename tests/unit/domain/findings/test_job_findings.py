"""What a printer's jobs show beside the notices: a job that no release explains, and counts beyond the meter's."""

from __future__ import annotations

import pytest

from tests.findings import lines_of, text_of
from tests.unit.domain.story import Story, finding, kinds


def past_the_queue(made: int | None = 3, state: str = "processing", service: int | None = 4) -> Story:
    """Four pages come while nothing is released, and the printer tells of a job."""
    story = Story()
    story.rest(-60, 0, 100)
    story.reading(10, 103, state="printing")
    story.job(10, 9, state, made, began=(0, 10.1), service=service, channel=3)  # type: ignore[arg-type]
    story.rest(20, 50, 104)
    story.job(20, 9, "completed", 4, began=(0, 10.1), ended=(10, 20.1), service=service, channel=3)
    return story


def test_a_print_job_in_a_gap_is_told_once_with_its_way_in() -> None:
    ledger = past_the_queue().ledger()
    assert kinds(ledger) == ["job-without-release", "stray-pages"]
    told = finding(ledger, "job-without-release")
    assert "job 9" in text_of(told)
    assert "way in 3" in lines_of(told)[0]
    assert not any(one.personal for one in (told.what, *told.evidence))


def test_a_reading_between_the_jobs_beginning_and_its_first_page_hides_nothing() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.reading(10, 100, state="printing")
    story.job(10, 9, "processing", 0, began=(0, 10.1))
    story.rest(20, 50, 104)
    story.job(20, 9, "completed", 4, began=(0, 10.1), ended=(10, 20.1))
    assert kinds(story.ledger()) == ["job-without-release", "stray-pages"]


def test_what_was_told_of_a_job_stays_when_what_lies_before_is_left_behind() -> None:
    """No projection may begin at a reading that found the printer busy, and nothing counted yet: what it is busy with
    had not begun when it last rested, which only the readings before it show.
    """
    story = Story()
    story.rest(-60, 0, 100)
    story.rest(10, 12, 100, every=0.5, state="printing")
    story.job(12.2, 9, "processing", 1, began=(0.2, 10.3))
    story.reading(20, 104)
    story.job(20.2, 9, "completed", 4, began=(0.2, 10.3), ended=(12.2, 20.3))
    story.rest(22, 90, 104, every=2)
    assert kinds(story.ledger()) == ["job-without-release", "stray-pages"]


def test_a_job_that_began_before_the_meter_last_rested_is_anothers() -> None:
    """It may be a release's whose pages came late."""
    story = Story()
    story.rest(-60, -30, 100)
    story.rest(-5, 0, 101)
    story.reading(10, 101, state="printing")
    story.job(10, 9, "processing", 1, began=(-30, -5))
    story.rest(20, 50, 104)
    story.job(20, 9, "completed", 4, began=(-30, -5), ended=(10, 20.1))
    assert set(kinds(story.ledger())) == {"stray-pages"}


@pytest.mark.parametrize(
    ("made", "state", "service"),
    [
        # No count, or none yet; one that waits; a scan (RFC 2707 JmJobServiceTypesTC).
        *((None, "processing", 4), (0, "processing", 4), (3, "pending", 4), (3, "processing", 8)),
    ],
)
def test_what_did_not_print_is_no_such_job(made: int | None, state: str, service: int) -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.reading(10, 103, state="printing")
    story.job(10, 9, state, made, began=(0, 10.1), service=service)  # type: ignore[arg-type]
    story.rest(20, 50, 104)
    assert kinds(story.ledger()) == ["stray-pages"]


def test_a_job_of_a_release_is_none_without() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.release(1, "A", pages=4)
    story.ended(3, "A")
    story.reading(10, 103, state="printing")
    story.job(10, 9, "processing", 3, began=(0, 10.1))
    story.rest(20, 50, 104)
    # What it says last comes when its window has closed.
    story.job(40, 9, "completed", 4, began=(0, 10.1), ended=(10, 20.1))
    story.rest(60, 90, 106)
    assert kinds(story.ledger()) == ["stray-pages"]


def test_jobs_beyond_the_meter_are_told_with_the_releases_of_the_bracket() -> None:
    story = Story()
    story.rest(-1, -0.5, 100)
    for nth, name in enumerate(("A", "B")):
        story.release(4 * nth, name, pages=5, printer_job=nth + 1)
        story.ended(4 * nth + 3, name)
        story.reading(4 * nth + 3.5, 101 + nth, state="printing")
        begun = (4 * nth + 0.5, 4 * nth + 3.6)
        story.job(9 + nth, nth + 1, "completed", 10, began=begun, ended=(4 * nth + 5, 9.1 + nth))
    story.rest(20, 40, 108)
    ledger = story.ledger()
    assert kinds(ledger) == ["shortfall", "witnesses-disagree"]
    told = finding(ledger, "witnesses-disagree")
    assert [one.release for one in told.releases] == ["A", "B"]
    assert "8 impressions" in text_of(told)


def between_two_readings() -> Story:
    """All of a job's pages came between two readings, and the printer was asked for its jobs after the second."""
    story = Story()
    story.rest(-60, 0, 100)
    story.reading(10, 104)
    story.job(10.2, 9, "completed", 4, began=(0.2, 10.3), ended=(0.2, 10.3), service=4)
    story.rest(12, 50, 104)
    return story


def test_a_job_between_two_readings_is_told_by_the_look_behind_the_second() -> None:
    assert kinds(between_two_readings().ledger()) == ["job-without-release", "stray-pages"]


def test_a_look_behind_a_reading_in_the_midst_of_a_job_tells_of_it() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.reading(10, 103, state="printing")
    story.job(10.2, 9, "processing", 3, began=(0.2, 10.3))
    story.rest(20, 50, 104)
    story.job(20.2, 9, "completed", 4, began=(0.2, 10.3), ended=(10.2, 20.3))
    assert kinds(story.ledger()) == ["job-without-release", "stray-pages"]


def test_a_look_that_comes_with_a_release_tells_nothing() -> None:
    """The job may be the release's: its notice came before the printer said what it had printed."""
    story = Story()
    story.rest(-60, 0, 100)
    story.reading(10, 104)
    story.release(10.15, "A", pages=4)
    story.job(10.2, 9, "completed", 4, began=(0.2, 10.3), ended=(0.2, 10.3))
    story.ended(12, "A")
    story.rest(20, 90, 104)
    assert "job-without-release" not in kinds(story.ledger())


def test_a_look_long_after_the_gap_tells_nothing_of_it() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.rest(10, 80, 104)
    story.job(80, 9, "completed", 4, began=(0.2, 80.1), ended=(0.2, 80.1))
    story.rest(85, 90, 104)
    assert kinds(story.ledger()) == ["stray-pages"]


def test_a_job_that_began_behind_the_gap_is_none_of_it() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.reading(10, 104)
    story.rest(12, 50, 104)
    story.job(20, 9, "completed", 4, began=(12.2, 20.1), ended=(12.2, 20.1))
    assert kinds(story.ledger()) == ["stray-pages"]


def test_a_release_notice_that_comes_late_takes_back_what_was_told_of_its_job() -> None:
    story = between_two_readings()
    story.release(1, "A", pages=4, received_s=40)
    story.ended(3, "A")
    assert kinds(story.ledger()) == []
