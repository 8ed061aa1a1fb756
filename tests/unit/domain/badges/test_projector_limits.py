"""Where the badge checks may start again: what arrived late must have arrived by then, or lie wholly behind it."""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from pagereeve.domain.badges.projector import COPY_SOURCE, BadgeProjector, badge_findings, checked_event
from pagereeve.domain.facts.facts import BadgePresented, Origin, PrinterNoted
from pagereeve.domain.projection.projector import Update
from tests.unit.domain.badges.test_check_limits import BEGIN_US, badge, rules, started

REACH_US = rules().reach_us()
HOLD_BACK_US = 100
RELEASES = (2_000, 4_000, 10_000)


def late(at_us: int, arrived_us: int) -> BadgePresented:
    """A badge that was presented at an instant and whose notice arrived at another."""
    origin = Origin("urn:invented", f"late-{at_us}", BEGIN_US + at_us, BEGIN_US + arrived_us)
    return BadgePresented("", origin, "b-anise", "east")


def projector(seal_every: int) -> BadgeProjector:
    return BadgeProjector(rules(), hold_back_us=HOLD_BACK_US, seal_every=seal_every)


def resumes_at(*events: Any) -> int | None:
    """Microseconds of the resume point after all these, the last of them at 10 ms."""
    one = projector(len(events))
    for event in events:
        one.add(event)
    one.advance()
    return None if one.resume_point is None else one.resume_point.at_us - BEGIN_US


def on_time() -> list[Any]:
    return [started(at_us) for at_us in RELEASES]


def test_the_resume_point_stays_as_far_behind_as_events_may_come_late() -> None:
    assert resumes_at(*on_time()) == 10_000 - HOLD_BACK_US


@pytest.mark.parametrize(
    ("arrived_us", "resumed_us"),
    [
        # By the resume point, all that follows from it is known there.
        (9_900, 9_900),
        (9_901, 1_000 + REACH_US - 1),
        (9_950, 1_000 + REACH_US - 1),
    ],
)
def test_what_arrived_after_the_resume_point_and_happened_a_reach_before_it_holds_it_back(
    arrived_us: int, resumed_us: int
) -> None:
    assert resumes_at(*on_time(), late(1_000, arrived_us)) == resumed_us


@pytest.mark.parametrize(
    ("happened_us", "resumed_us"),
    [
        # A reach before the resume point it is no more read again: so the resume point moves before that.
        (9_900 - REACH_US, 9_899),
        # One microsecond later it is read again anyway.
        (9_901 - REACH_US, 9_900),
    ],
)
def test_what_will_be_read_again_holds_nothing_back(happened_us: int, resumed_us: int) -> None:
    assert resumes_at(*on_time(), late(happened_us, 9_960)) == resumed_us


def test_what_arrived_within_a_reach_holds_nothing_back() -> None:
    assert resumes_at(*on_time(), late(9_000, 9_000 + REACH_US - 1)) == 9_900


def test_a_resume_point_that_moves_back_may_come_before_the_arrival_of_another() -> None:
    """The first holds it back to before the second's arrival, which then holds it back further; in any order."""
    first, second = late(5_000, 9_950), late(3_000, 7_000)
    for two in itertools.permutations((first, second)):
        assert resumes_at(*two, *on_time()) == 3_000 + REACH_US - 1
    assert resumes_at(first, *on_time()) == 5_000 + REACH_US - 1


def test_a_resume_point_is_stored_with_the_last_event_that_is_needed_for_one() -> None:
    one = projector(3)
    for number, event in enumerate(on_time(), 1):
        one.add(event)
        update = one.advance()
        assert (one.resume_point is not None) is (number == 3)
    assert isinstance(update, Update)
    assert update.from_anchor_us == 0
    assert update.segments[0].resume_point is not None
    assert one.anchor_us == BEGIN_US + 10_000 - HOLD_BACK_US


def test_an_event_at_the_resume_point_or_before_is_late() -> None:
    one = projector(3)
    assert not one.is_late(started(0))
    assert one.needed_from_us() is None
    for event in on_time():
        one.add(event)
    one.advance()
    resumed_us = 10_000 - HOLD_BACK_US
    assert [one.is_late(started(resumed_us + more_us)) for more_us in (-1, 0, 1)] == [True, True, False]
    assert one.needed_from_us() == BEGIN_US + resumed_us - 2 * REACH_US


def test_steps_wait_until_it_is_their_time() -> None:
    one = projector(100)
    one.add(badge(0, "b-nobody"))
    one.add(badge(5_000, "b-nobody"))
    one.advance(BEGIN_US + 4_999)
    assert one.waits
    update = one.advance(BEGIN_US + 5_000)
    assert not one.waits
    assert update is not None
    assert [finding.kind for segment in update.segments for finding in segment.findings] == ["unknown-badge"] * 2
    assert one.advance(BEGIN_US + 5_000) is None


def test_an_event_told_twice_is_one_event() -> None:
    twice = [badge(0, "b-nobody"), badge(0, "b-nobody")]
    assert len(badge_findings(rules(), twice)) == 1


def test_copies_and_what_is_no_event_of_badges_are_left_to_others() -> None:
    copied = BadgePresented("printer-east", Origin(COPY_SOURCE, "c", 0, 0), "b-anise", "east")
    assert checked_event(copied) is None
    assert checked_event(PrinterNoted("p", Origin("s", "n", 0, 0), "moved", "")) is None
    assert checked_event(badge(0)) == badge(0)
