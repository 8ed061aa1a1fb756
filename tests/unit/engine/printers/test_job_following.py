"""Looks at a printer's jobs become facts: when something changed, with the spans in which it began and ended."""

from __future__ import annotations

from pagereeve.domain.facts.jobs import JobCounted, JobCounts, JobState, Within
from pagereeve.engine.printers.job_following import FOLLOWED_MAX, JobFollower
from pagereeve.ports.jobs import JobRow, JobsLook


def look(
    at: int, *rows: tuple[int, JobState, int | None], gone: tuple[int, ...] = (), whole: bool = True, epoch: int = 1
) -> JobsLook:
    made = tuple(JobRow(job, state, JobCounts(impressions=counted), epoch=epoch) for job, state, counted in rows)
    return JobsLook("snmp", 1, 10 * at, 10 * at + 5, made, tuple((epoch, job) for job in gone), whole)


def told(follower: JobFollower, *looks: JobsLook) -> list[JobCounted]:
    return [said for one in looks for said in follower.take(one)]


def test_a_jobs_life_is_a_fact_for_each_change_and_no_more() -> None:
    said = told(
        JobFollower("p"),
        look(0),
        look(1, (7, "pending", None)),
        look(2, (7, "pending", None)),
        look(3, (7, "processing", 0)),
        look(4, (7, "processing", 2)),
        look(5, (7, "completed", 5)),
        look(6, (7, "completed", 5)),
        look(7, gone=(7,)),
    )
    assert [(one.sent_us, one.state, one.counts.impressions) for one in said] == [
        *((10, "pending", None), (30, "processing", 0), (40, "processing", 2), (50, "completed", 5)),
    ]
    # It did not print at the look of 20, and did at that of 30 to 35; it was not over at 40.
    assert [one.began for one in said] == [None, Within(20, 35), Within(20, 35), Within(20, 35)]
    assert [one.ended for one in said] == [None, None, None, Within(40, 55)]


def test_a_job_that_came_and_ended_between_two_looks_has_both_spans() -> None:
    (said,) = told(JobFollower("p"), look(0), look(1, (7, "completed", 5)))
    assert (said.began, said.ended) == (Within(0, 15), Within(0, 15))


def test_of_a_job_that_was_there_already_it_is_not_known_when_it_began() -> None:
    first, second = told(JobFollower("p"), look(0, (7, "processing", 3)), look(1, (7, "completed", 5)))
    assert (first.began, second.began, second.ended) == (None, None, Within(0, 15))


def test_a_look_that_did_not_see_all_dates_nothing() -> None:
    (said,) = told(JobFollower("p"), look(0), look(1, whole=False), look(2, (7, "processing", 1)))
    assert said.began == Within(0, 25)


def test_a_row_that_goes_before_its_end_was_seen_is_gone_and_not_zero() -> None:
    # apple/cups#4079: no job history.
    said = told(JobFollower("p"), look(0), look(1, (7, "processing", 2)), look(2, gone=(7,)))
    assert [(one.state, one.counts.impressions) for one in said] == [("processing", 2), ("gone", 2)]


def test_a_job_that_is_started_again_counts_on() -> None:
    # RFC 8011 section 4.3.7.1: Restart-Job sets the counts back to 0 under the same job-id.
    looks = [look(0), look(1, (7, "completed", 6)), look(2, (7, "processing", 0)), look(3, (7, "completed", 6))]
    assert [one.counts.impressions for one in told(JobFollower("p"), *looks)] == [6, 6, 12]


def test_a_job_that_was_given_up_without_a_page_never_began() -> None:
    said = told(JobFollower("p"), look(0), look(1, (7, "held", None)), look(2, (7, "cancelled", 0)))
    assert [one.began for one in said] == [None, None]


def test_the_same_number_in_another_epoch_is_another_job() -> None:
    said = told(JobFollower("p"), look(0), look(1, (1, "completed", 5)), look(2, (1, "processing", 1), epoch=2))
    assert [(one.epoch, one.counts.impressions) for one in said] == [(1, 5), (2, 1)]


def test_no_more_jobs_are_followed_than_the_limit() -> None:
    follower = JobFollower("p")
    told(follower, *(look(at, (at + 1, "completed", 1)) for at in range(3 * FOLLOWED_MAX)))
    assert len(follower._jobs) == FOLLOWED_MAX
