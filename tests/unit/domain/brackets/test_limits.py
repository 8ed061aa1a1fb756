"""Brackets on their limits: the last page, reading or microsecond that still counts, and the first that doesn't."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.brackets.continuity import TICKS_MODULUS, Step, restarted
from pagereeve.domain.brackets.timeline import started_again
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Grade, Verdict
from pagereeve.domain.values.instants import SECOND_US
from tests.unit.domain.brackets.test_continuity import plateau, runs_of, step
from tests.unit.domain.story import POLICY, Story, brackets, charge, printed

MICROSECOND_S = 0.000001


@pytest.mark.parametrize(
    ("ahead_cs", "again"),
    [(500, False), (501, True), (-500, False), (-501, True), (0, False)],
)
def test_an_uptime_may_differ_by_five_seconds_from_the_time_that_passed(ahead_cs: int, again: bool) -> None:
    before_cs = (300 - 6000 - ahead_cs) % TICKS_MODULUS
    assert restarted(plateau(0, 1, uptime_cs=before_cs), plateau(60, 1, uptime_cs=300)) is again


@pytest.mark.parametrize(("ahead_cs", "again"), [(3600, False), (3601, True), (-3600, False), (-3601, True)])
def test_after_an_hour_it_may_differ_by_a_hundredth(ahead_cs: int, again: bool) -> None:
    before_cs = (300 - 360_000 - ahead_cs) % TICKS_MODULUS
    assert restarted(plateau(0, 1, uptime_cs=before_cs), plateau(3600, 1, uptime_cs=300)) is again


@pytest.mark.parametrize(("uptime_cs", "again"), [(0, True), (6500, True), (6501, False)])
def test_a_printer_that_restarted_has_run_no_longer_than_the_time_that_passed(uptime_cs: int, again: bool) -> None:
    assert restarted(plateau(0, 1, uptime_cs=1_000_000), plateau(60, 1, uptime_cs=uptime_cs)) is again


def test_a_power_on_count_that_stands_witnesses_nothing_and_one_less_does() -> None:
    assert not restarted(plateau(0, 1, power_on=350), plateau(60, 1, power_on=350))
    assert restarted(plateau(0, 1, power_on=350), plateau(60, 1, power_on=349))
    assert restarted(plateau(0, 1, power_on=1), plateau(60, 1, power_on=0))


def test_a_count_falls_back_by_what_the_printer_may_lose_and_no_further() -> None:
    policy = Policy(fall_back=10)
    before = plateau(0, 500, uptime_cs=1_000_000)
    assert step(before, plateau(60, 490, uptime_cs=100), policy) is Step.FELL_BACK
    assert step(before, plateau(60, 489, uptime_cs=100), policy) is Step.RESET
    assert step(before, plateau(60, 490, uptime_cs=1_006_000), policy) is Step.WENT_BACK


def test_a_wrap_is_five_thousand_pages_at_most_however_long_nobody_looked() -> None:
    policy = Policy(modulus=10**6)
    before, later_s = plateau(0, 10**6 - 10), 86_400.0
    assert step(before, plateau(later_s, 4990), policy) is Step.WRAPPED
    assert step(before, plateau(later_s, 4991), policy) is Step.WENT_BACK


def test_a_count_that_has_reached_its_modulus_shows_that_it_wraps_elsewhere() -> None:
    policy = Policy(modulus=10**6)
    assert step(plateau(0, 10**6 - 1), plateau(60, 3), policy) is Step.WRAPPED
    assert step(plateau(0, 10**6), plateau(60, 3), policy) is Step.WENT_BACK
    assert step(plateau(0, 10**6 + 9), plateau(60, 10**6), policy) is Step.WENT_BACK


def test_a_printer_may_show_fifty_pages_at_once_and_no_more() -> None:
    assert step(plateau(0, 100), plateau(0, 150)) is Step.MOVED
    assert step(plateau(0, 100), plateau(0, 151)) is Step.JUMPED


def test_a_lower_value_seen_twice_over_the_settle_time_stands() -> None:
    twice = replace(plateau(60, 20), count=2, last_sent_us=plateau(60, 20).first_received_us + POLICY.settle_us)
    assert len(runs_of(plateau(0, 500), twice, policy=POLICY).runs) == 2
    sooner = replace(twice, last_sent_us=twice.last_sent_us - 1)
    assert len(runs_of(plateau(0, 500), sooner, policy=POLICY).runs) == 1


@pytest.mark.parametrize(("later_s", "kind"), [(0, "echo"), (2, "echo"), (2.000001, "repeat"), (3600, "repeat")])
def test_two_notices_within_two_seconds_are_one_deed(later_s: float, kind: str) -> None:
    story = Story()
    story.release(0, "r", event="first")
    story.release(later_s, "r", event="second")
    starts = [fact for fact in story.facts if isinstance(fact, ReleaseStarted)]
    assert list(started_again(starts).values()) == [kind]
    assert list(started_again(reversed(starts)).values()) == [kind]


@pytest.mark.parametrize(("counted", "partly"), [(0, False), (1, True), (3, True), (4, False)])
def test_a_job_that_was_cancelled_is_partly_printed_between_nothing_and_all(counted: int, partly: bool) -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3, outcome="cancelled")
    story.rest(6, 90, 100 + counted)
    (bracket,) = brackets(story.ledger())
    assert bracket.verdict is Verdict.AGREES
    assert ("partly-printed" in bracket.reasons) is partly


@pytest.mark.parametrize(("more_s", "grade"), [(0, Grade.TIGHT), (MICROSECOND_S, Grade.WIDE)])
def test_an_opening_cut_is_fresh_for_a_minute(more_s: float, grade: Grade) -> None:
    story = Story()
    story.reading(-60.1 - more_s, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, 30, 104)
    assert charge(story.ledger(), "r1").grade is grade


@pytest.mark.parametrize(("more_s", "grade"), [(0, Grade.TIGHT), (MICROSECOND_S, Grade.WIDE)])
def test_a_closing_cut_is_fresh_for_a_minute(more_s: float, grade: Grade) -> None:
    """Nothing rests, so the longest wait closes the window; the next reading is the closing cut."""
    story = Story(replace(POLICY, longest_us=100 * SECOND_US))
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.reading(6, 102, state="printing")
    story.reading(159.9 + more_s, 104)
    one = charge(story.ledger(), "r1")
    assert one.reasons == ("window-longest-wait",)
    assert one.grade is grade


def test_two_releases_between_two_cuts_share_their_pages_and_the_bracket_says_how() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "first", pages=4)
    story.release(2, "second", pages=3)
    story.ended(5, "first")
    story.ended(6, "second")
    story.rest(8, 40, 107)
    (joint,) = brackets(story.ledger())
    how = [reason for reason in joint.reasons if reason.startswith("share")]
    assert len(how) == 1
    assert how[0] in charge(story.ledger(), "first").reasons
    assert joint.grade is Grade.MATCHED
    alone = Story()
    printed(alone, 0, 100, 104, pages=4)
    assert brackets(alone.ledger())[0].reasons == ()
