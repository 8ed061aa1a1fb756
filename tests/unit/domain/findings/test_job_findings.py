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
