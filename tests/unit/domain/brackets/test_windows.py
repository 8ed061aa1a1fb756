"""When a release may have moved the meter: how windows open, close, stall and give up (domain/README.md, step 2)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Grade, Verdict
from pagereeve.domain.values.instants import SECOND_US
from tests.findings import text_of
from tests.unit.domain.story import (
    POLICY,
    Story,
    accounts,
    at_us,
    brackets,
    charge,
    finding,
    kinds,
    names_in,
    printed,
)

SHORT = replace(POLICY, longest_us=300 * SECOND_US, longest_stalled_us=1800 * SECOND_US)


def test_a_bracket_closes_at_the_first_instant_at_which_the_meter_has_rested() -> None:
    story = Story()
    printed(story, 0, 100, 104, pages=4)
    (bracket,) = brackets(story.ledger())
    # The old count was still seen after the release began; the opening cut ends at start + floor.
    assert bracket.opens_us == at_us(1)
    # Received at 6.1 s, settled 10 s later.
    assert bracket.closes_us == at_us(16.1)


def test_a_rest_shorter_than_the_settle_time_closes_nothing() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, 16, 104)
    assert charge(story.ledger(), "r1").reasons == ("window-open",)
    story.reading(16.2, 104)
    assert charge(story.ledger(), "r1").verdict is Verdict.AGREES


def test_a_printing_state_is_no_rest_though_the_count_stands_still() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, 120, 102, state="printing")
    assert charge(story.ledger(), "r1").closed_us is None
    story.rest(125, 140, 104)
    assert charge(story.ledger(), "r1").counted == 4


def test_a_learnt_settle_time_holds_a_window_open_for_longer() -> None:
    story = Story()
    story.learned(-100, 25)
    printed(story, 0, 100, 104, pages=4)
    assert charge(story.ledger(), "r1").closed_us is None
    story.reading(31.5, 104)
    assert charge(story.ledger(), "r1").closed_us == at_us(31.1)


def test_a_learnt_settle_time_does_not_reach_back() -> None:
    story = Story()
    story.learned(50, 25)
    printed(story, 0, 100, 104, pages=4)
    assert charge(story.ledger(), "r1").closed_us == at_us(16.1)


def test_a_window_waits_for_its_end_notice_however_long_the_rest() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.rest(6, 100, 104)
    without = charge(story.ledger(), "r1")
    assert "no-end-notice" in without.reasons
    assert without.closed_us == at_us(16.1)
    story.ended(80)
    late = charge(story.ledger(), "r1")
    assert late.closed_us == at_us(90)
    assert "no-end-notice" not in late.reasons


def test_without_an_end_notice_movement_and_rest_close_and_a_finding_says_so() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.rest(6, 40, 104)
    assert kinds(story.ledger()) == ["release-never-ended"]


def test_a_count_that_never_moves_is_waited_for_as_long_as_the_policy_says() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, 62, 100)
    assert charge(story.ledger(), "r1").closed_us is None
    story.reading(63.5, 100)
    one = charge(story.ledger(), "r1")
    assert one.closed_us == at_us(63)
    assert "window-never-moved" in one.reasons
    assert one.verdict is Verdict.SHORTFALL


@pytest.mark.parametrize("outcome", ["cancelled", "aborted"])
def test_a_release_that_was_given_up_waits_only_for_the_settle_time(outcome: str) -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3, outcome=outcome)  # type: ignore[arg-type]
    story.rest(6, 20, 100)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert one.closed_us == at_us(13)
    assert (one.verdict, one.charged) == (Verdict.AGREES, 0)
    assert kinds(ledger) == []


def test_the_longest_wait_closes_a_window_at_which_nothing_ever_rests() -> None:
    story = Story(SHORT)
    story.reading(-1, 100)
    story.release(0, pages=500)
    story.ended(3)
    for second in range(6, 400, 10):
        story.reading(second, 100 + second, state="printing")
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert "window-longest-wait" in one.reasons
    # The first reading after it is the closing cut: whatever it shows.
    assert one.closed_us == at_us(306.1)
    assert one.counted == 306


def test_a_jam_holds_the_window_open_beyond_the_longest_wait() -> None:
    story = Story(SHORT)
    story.reading(-1, 100)
    story.release(0, pages=9)
    story.ended(3)
    story.rest(6, 900, 103, every=30, errors=("jammed",))
    assert charge(story.ledger(), "r1").closed_us is None
    assert "stalled" in charge(story.ledger(), "r1").reasons
    story.reading(905, 105, state="printing")
    story.rest(910, 940, 109)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.counted, one.verdict, one.grade) == (9, Verdict.AGREES, Grade.TIGHT)
    assert "stalled" in one.reasons


def test_a_jam_over_the_longest_stalled_wait_ends_the_window() -> None:
    story = Story(SHORT)
    story.reading(-1, 100)
    story.release(0, pages=9)
    story.ended(3)
    story.rest(6, 2000, 103, every=30, errors=("jammed",))
    one = charge(story.ledger(), "r1")
    assert one.closed_us == at_us(1800)
    assert (one.counted, one.verdict) == (3, Verdict.SHORTFALL)
    assert set(one.reasons) == {"window-longest-wait", "stalled"}


def test_an_error_light_that_holds_nothing_up_keeps_no_window_open() -> None:
    story = Story()
    story.reading(-1, 100, errors=("noToner",))
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, 30, 104, errors=("noToner",))
    one = charge(story.ledger(), "r1")
    assert (one.counted, one.closed_us) == (4, at_us(16.1))


@pytest.mark.parametrize("begin_s", [16.1, 100])
def test_pages_of_a_release_whose_window_has_closed_are_owed_no_more(begin_s: float) -> None:
    """The light stays on: the second window closes when its own two pages are out. The first one closed at 16.1 s."""
    story = Story()
    story.reading(-1, 100, errors=("noToner",))
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, begin_s, 104, errors=("noToner",))
    story.release(begin_s, "second", pages=2)
    story.ended(begin_s + 2)
    story.rest(begin_s + 5, begin_s + 30, 106, errors=("noToner",))
    second = charge(story.ledger(), "second")
    assert (second.counted, second.closed_us) == (2, at_us(begin_s + 15.1))


def test_pages_of_a_release_whose_window_is_open_are_owed_too() -> None:
    story = Story(SHORT)
    story.reading(-1, 100)
    story.release(0, "first", pages=4)
    story.ended(3)
    story.release(5, "second", pages=2)
    story.ended(7)
    story.rest(10, 60, 105, errors=("noToner",))
    assert charge(story.ledger(), "second").closed_us is None
    assert "stalled" in charge(story.ledger(), "second").reasons
    story.rest(70, 90, 106, errors=("noToner",))
    assert charge(story.ledger(), "second").closed_us == at_us(80.1)


def test_a_reading_received_within_the_first_page_floor_is_still_before_the_release() -> None:
    """No engine lands a sheet sooner: received at start + floor is before, a microsecond later is inside."""
    for received_s, opens_s in ((1.0, 1.0), (1.000001, -49.9)):
        story = Story()
        story.reading(-50, 100)
        story.release(0, pages=4)
        story.ended(3)
        story.reading(received_s - 0.1, 101, took_s=0.1)
        story.rest(6, 30, 105)
        (bracket,) = brackets(story.ledger())
        assert bracket.opens_us == at_us(opens_s)


def test_an_end_that_claims_to_be_before_its_start_counts_as_at_the_start() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(-30)
    story.rest(6, 30, 104)
    one = charge(story.ledger(), "r1")
    assert one.ended_us == one.started_us
    assert one.verdict is Verdict.AGREES


def test_of_several_end_notices_the_earliest_is_the_end() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(9, event="second", outcome="aborted")
    story.ended(3, event="first")
    story.rest(6, 30, 104)
    one = charge(story.ledger(), "r1")
    assert one.ended_us == at_us(3)
    assert one.reasons == ()


def test_a_release_before_the_last_one_has_settled_shares_its_bracket() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "first", pages=4)
    story.ended(3)
    story.reading(6, 104)
    story.release(12, "second", pages=2)
    story.ended(14)
    story.rest(18, 40, 106)
    (joint,) = brackets(story.ledger())
    assert names_in(joint) == ["first", "second"]
    assert joint.grade is Grade.MATCHED


def test_a_release_with_no_meter_at_all_stays_open_until_the_longest_wait() -> None:
    story = Story(SHORT)
    story.release(0, pages=4)
    story.ended(3)
    assert charge(story.ledger(), "r1").verdict is None
    story.failed(290, tries=8)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.grade, one.verdict, one.counted, one.unproven) == (Grade.BLIND, Verdict.UNPROVEN, None, 4)
    assert one.closed_us == at_us(300)
    assert kinds(ledger) == ["meter-silent", "unproven-release"]
    assert text_of(finding(ledger, "unproven-release")) == "no count proves what the release printed (blind)"
    assert accounts(ledger) == {}


def test_a_rule_of_a_later_day_does_not_judge_an_older_release() -> None:
    story = Story()
    printed(story, 0, 100, 103, pages=4)
    story.set_policy(1000, Policy(tolerance_pages=5, settle_us=POLICY.settle_us))
    printed(story, 2000, 103, 106, pages=4)
    ledger = story.ledger()
    assert charge(ledger, "r1").verdict is Verdict.SHORTFALL
    assert charge(ledger, "r2").verdict is Verdict.AGREES
