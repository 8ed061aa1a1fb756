"""The printer's own jobs inside a shared bracket: whose release each is, what it bounds, and which ends it proves."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from pagereeve.domain.brackets.job_bounds import JobCount, job_bounds
from pagereeve.domain.ledger import Grade, Interval, Verdict
from tests.unit.domain.story import Story, accounts, brackets, charge, finding, names_in

TICKETS = {"A": 12, "B": 20, "C": 10}


def test_the_rest_of_the_count_is_the_slack_of_every_job() -> None:
    made = [JobCount(12, over=True), JobCount(7, over=True), JobCount(10, over=True)]
    assert job_bounds(31, made) == [Interval(12, 14), Interval(7, 9), Interval(10, 12)]
    assert job_bounds(31, made, 0) == [Interval(12, 12), Interval(7, 7), Interval(10, 10)]
    assert job_bounds(31, [*made[:2], JobCount(10)], 0) == [Interval(12, 12), Interval(7, 7), Interval(10, 12)]


def test_where_all_jobs_are_known_the_least_rises() -> None:
    made = [JobCount(5, over=True), JobCount(3, over=True)]
    assert job_bounds(9, made, 1, whole=True) == [Interval(5, 6), Interval(3, 4)]
    assert job_bounds(10, made, 1, whole=True) == [Interval(6, 6), Interval(4, 4)]


def test_jobs_that_count_more_than_the_meter_bound_nothing() -> None:
    assert job_bounds(11, [JobCount(12)]) is None


def three(
    made: Mapping[str, tuple[str, int | None]], total: int = 131, *, numbers: bool = False, late: bool = False
) -> Story:
    """Three releases one after the other while the meter never rests: 12, 20 and 10 pages asked for.

    ``late``: all jobs are seen to begin when all releases have started.
    """
    story = Story()
    story.rest(-1, -0.5, 100)
    for nth, (name, pages) in enumerate(TICKETS.items()):
        story.release(4 * nth, name, pages=pages, printer_job=41 + nth if numbers else None)
        story.ended(4 * nth + 3, name)
        story.reading(4 * nth + 3.5, 101 + nth, state="printing")
    for nth, (name, (state, counted)) in enumerate(made.items()):
        begun = (4 * nth + 0.5, 11.6 if late else 4 * nth + 3.6)
        story.job(11.5 if late else 4 * nth + 3.5, 41 + nth, "processing", 1, began=begun)
        story.job(14 + nth, 41 + nth, state, counted, began=begun, ended=(4 * nth + 5, 14.1 + nth))  # type: ignore[arg-type]
        assert name in TICKETS
    story.rest(20, 40, total)
    return story


def charged(story: Story) -> dict[str, tuple[int, int, str]]:
    ledger = story.ledger()
    rows = {name: charge(ledger, name) for name in TICKETS}
    return {name: (one.charged, one.unproven, str(one.verdict)) for name, one in rows.items()}


CANCELLED = {"A": ("completed", 12), "B": ("cancelled", 7), "C": ("completed", 10)}


@pytest.mark.parametrize("numbers", [True, False])
def test_a_shortfall_is_the_cancelled_jobs_and_nobody_elses(numbers: bool) -> None:
    story = three(CANCELLED, numbers=numbers)
    # Of what B asked for, 9 at most came; 7 surely did.
    assert charged(story) == {"A": (12, 0, "agrees"), "B": (7, 2, "shortfall"), "C": (10, 0, "agrees")}
    ledger = story.ledger()
    assert accounts(ledger)["house:unattributed"] == 2
    link = "job-by-number" if numbers else "job-by-order"
    assert all(link in charge(ledger, name).reasons for name in TICKETS)
    assert [one.release for one in finding(ledger, "shortfall").releases] == ["B"]


def test_without_jobs_the_same_shortfall_is_nobodys() -> None:
    rows = charged(three({}))
    assert {verdict for _, _, verdict in rows.values()} == {"shortfall"}
    assert rows["B"][:2] == (9, 11)


def test_jobs_that_count_more_than_the_meter_are_set_aside() -> None:
    doubled = three({"A": ("completed", 24), "B": ("cancelled", 14), "C": ("completed", 20)}, numbers=True)
    plain = three({}, numbers=True)
    assert charged(doubled) == charged(plain)
    assert "witnesses-disagree" in brackets(doubled.ledger())[0].reasons


@pytest.mark.parametrize(
    "made",
    [
        # apple/cups#4991: a job that counts nothing says nothing.
        {"A": ("completed", 0), "B": ("completed", None), "C": ("completed", 0)},
        # Two counts that are not what the tickets say: the order may be another one.
        {"A": ("completed", 9), "B": ("completed", 7), "C": ("completed", 10)},
    ],
)
def test_what_is_ambiguous_or_says_nothing_names_nobody(made: Mapping[str, tuple[str, int | None]]) -> None:
    assert charged(three(made)) == charged(three({}))


ODD = {"A": ("completed", 12), "B": ("completed", 7), "C": ("completed", 10)}


def test_a_number_links_what_order_does_not() -> None:
    assert charged(three(ODD, numbers=True))["B"] == (7, 2, "shortfall")


def test_a_job_that_is_not_as_its_ticket_says_is_nobodys_by_order_and_what_the_others_made_is_theirs() -> None:
    story = three(ODD)
    assert charged(story) == {"A": (12, 0, "agrees"), "B": (9, 0, "shortfall"), "C": (10, 0, "agrees")}
    assert [one.release for one in finding(story.ledger(), "shortfall").releases] == ["B"]
    assert "job-by-order" not in charge(story.ledger(), "B").reasons


def test_a_release_whose_job_never_came_is_the_short_one() -> None:
    story = three({"A": ("completed", 12), "B": ("completed", 10)}, total=122, late=True)
    # Job 42 made 10: that is C's ticket, and not B's.
    assert charged(story) == {"A": (12, 0, "agrees"), "B": (0, 0, "shortfall"), "C": (10, 0, "agrees")}


def test_two_jobs_that_may_be_either_of_two_releases_are_nobodys() -> None:
    made = {"A": ("completed", 12), "B": ("cancelled", 7)}
    assert charged(three(made, late=True)) == charged(three({}))
    # What was seen before a release started is not its job.
    assert charged(three(made))["A"] == (12, 0, "agrees")


def test_a_job_that_went_before_it_ended_bounds_by_what_it_was_seen_to_make() -> None:
    # apple/cups#4079: no history; what was seen last is the least.
    story = three({"A": ("completed", 12), "B": ("gone", 5), "C": ("completed", 10)}, numbers=True)
    # That it made no more than that is not known, and the others can't have had the rest.
    assert charged(story)["B"] == (9, 0, "shortfall")


def alone(total: int, state: str, made: int) -> list[str]:
    """One release of 6 pages, and one job; the reasons of its charge that its job gives."""
    story = Story()
    story.rest(-1, -0.5, 100)
    story.release(0, "A", pages=6)
    story.ended(1, "A")
    story.reading(3, 101, state="printing")
    story.job(3, 7, "processing", 1, began=(0.5, 3.1))
    story.job(8, 7, state, made, began=(0.5, 3.1), ended=(3, 8.1))  # type: ignore[arg-type]
    story.rest(8, 40, total)
    return [one for one in charge(story.ledger(), "A").reasons if "job" in one]


def test_an_abort_is_told_from_pages_that_were_lost() -> None:
    assert alone(103, "aborted", 3) == ["job-sole", "job-aborted"]
    assert alone(103, "cancelled", 3) == ["job-sole", "job-cancelled"]
    assert alone(103, "completed", 3) == []
    assert alone(106, "completed", 6) == []


def test_pages_that_the_job_did_not_make_are_told_from_a_job_that_printed_too_much() -> None:
    assert alone(109, "completed", 6) == ["job-sole", "beyond-its-job"]
    assert alone(109, "completed", 9) == []


def overlapping(*, jobs: bool, rested_s: float = 4) -> Story:
    """B's notice comes while A prints; the printer holds B's job, rests, and prints it then."""
    story = Story()
    story.rest(-1, -0.5, 100)
    story.release(0, "A", pages=4, printer_job=7)
    story.ended(1, "A")
    story.reading(3, 101, state="printing")
    story.release(4, "B", pages=4, printer_job=8)
    story.ended(5, "B")
    done_s = 8 + rested_s
    story.rest(8, done_s, 103, every=1)
    story.reading(done_s + 2, 105, state="printing")
    story.rest(done_s + 8, done_s + 30, 108)
    if jobs:
        story.job(3, 7, "processing", 1, began=(0.5, 3.1))
        story.job(8, 7, "completed", 3, began=(0.5, 3.1), ended=(3, 8.1))
        story.job(8, 8, "pending", None, began=None)
        story.job(done_s + 2, 8, "processing", 1, began=(done_s, done_s + 2.1))
        story.job(done_s + 12, 8, "completed", 5, began=(done_s, done_s + 2.1), ended=(done_s + 8, done_s + 12.1))
    return story


def test_jobs_that_are_over_before_the_next_begins_part_a_bracket() -> None:
    ledger = overlapping(jobs=True).ledger()
    first, second = brackets(ledger)
    assert (names_in(first), first.counted, first.verdict) == (["A"], 3, Verdict.SHORTFALL)
    assert (names_in(second), second.counted, second.verdict) == (["B"], 5, Verdict.SURPLUS)
    assert (first.grade, second.grade) == (Grade.INFERRED, Grade.INFERRED)
    assert "cut-by-job" in first.reasons
    (whole,) = brackets(overlapping(jobs=False).ledger())
    # The sum fits by chance: two errors hide one another.
    assert (names_in(whole), whole.counted, whole.verdict) == (["A", "B"], 8, Verdict.AGREES)


def test_completed_alone_proves_no_end() -> None:
    # apple/cups#4446: completed while the meter still moved; there must be a rest of 3 s as well.
    (whole,) = brackets(overlapping(jobs=True, rested_s=2).ledger())
    assert names_in(whole) == ["A", "B"]
