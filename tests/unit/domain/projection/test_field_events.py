"""Public fault reports: events that come twice, late, early, out of order, or badly dated."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest

from pagereeve.domain.facts.events import RELEASE_ENDED, RELEASE_STARTED, event_of
from pagereeve.domain.facts.facts import Origin, ReleaseStarted
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.source_clock import SourceClock
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, replay
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import SECOND_US
from tests.findings import text_of
from tests.unit.domain.story import (
    DAY_US,
    PRINTER,
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


def test_an_event_delivered_three_times_is_one_event() -> None:
    """eclipse-mosquitto/mosquitto#398; wasp-lang/open-saas#688: the total does not grow."""
    story = Story()
    printed(story, 0, 100, 104, pages=4)
    once = story.ledger()
    again = [fact for fact in story.facts if isinstance(fact, ReleaseStarted)]
    assert replay(PRINTER, [*story.facts, *again, *again], story.current) == once
    assert accounts(once) == {"person:owner-r1": 4}


def test_a_copy_that_is_the_only_one_counts() -> None:
    """lensesio/stream-reactor#766: the domain knows no duplicate flag, only identities."""
    story = Story()
    printed(story, 0, 100, 104, pages=4, event="E2-marked-dup")
    assert charge(story.ledger(), "r1").charged == 4


def test_events_in_any_order_are_one_release() -> None:
    """integrallis/stripe_event#75: finished 10:00:30, swipe 10:00:05, released 10:00:10."""
    story = Story()
    story.rest(-10, 8, 100)
    story.badge(5)
    story.release(10, pages=2)
    story.ended(30)
    story.rest(40, 70, 102)
    expected = story.ledger()
    events = [fact for fact in story.facts if hasattr(fact, "origin")]
    others = [fact for fact in story.facts if not hasattr(fact, "origin")]
    assert len(events) == 3
    for order in permutations(events):
        assert replay(PRINTER, [*others, *order], story.current) == expected
    assert charge(expected, "r1").charged == 2
    assert kinds(expected) == []


def test_genuine_twins_are_two_releases() -> None:
    """actualbudget/actual#8221: the same two pages twice in a minute are four."""
    story = Story()
    story.reading(-1, 100)
    for nth, second in enumerate((0, 40)):
        story.release(second, f"twin-{nth}", pages=2, owner="ann")
        story.ended(second + 3)
        story.rest(second + 6, second + 35, 102 + 2 * nth)
    ledger = story.ledger()
    assert accounts(ledger) == {"person:ann": 4}
    assert [names_in(one) for one in brackets(ledger)] == [["twin-0"], ["twin-1"]]


def test_an_event_from_the_future_keeps_both_times_and_goes_by_its_arrival() -> None:
    """datalust/seq-tickets#1570: now + 57 min is marked; judged once, at the door."""
    claimed_us = DAY_US + 57 * 60 * SECOND_US
    assert SourceClock().judge(claimed_us, DAY_US) == (DAY_US, "future")
    story = Story()
    printed(story, 0, 100, 104, pages=4, clock="future", occurred_us=claimed_us)
    ledger = story.ledger()
    assert charge(ledger, "r1").charged == 4
    assert "the time of arrival is used instead" in text_of(finding(ledger, "source-clock-off"))


def test_one_stalled_batch_does_not_move_a_sources_offset() -> None:
    """PostHog/posthog-js#3808: after offsets of 2.0 and 2.1 s one of 31.0 s is a stalled batch, and it is late.

    And where the clock is ahead, which one delay proves, the stalled batch does not undo the correction.
    """
    behind = SourceClock()
    for delay_us in (2_000_000, 2_100_000, 31_000_000):
        assert behind.judge(DAY_US, DAY_US + delay_us) == (DAY_US, "")
    clock = SourceClock()
    marks = [clock.judge(DAY_US, DAY_US + delay_us) for delay_us in (-2_000_000, -2_100_000, 31_000_000)]
    assert marks == [
        (DAY_US - 2_000_000, "corrected"),
        (DAY_US - 2_100_000, "corrected"),
        (DAY_US - 2_100_000, "corrected"),
    ]


def test_a_late_event_belongs_to_its_own_time() -> None:
    """opslane/opslane#62: 09:00 that arrives at 11:30 is late, not badly timed."""
    clock = SourceClock()
    nine_us, arrival_us = at_us(9 * 3600), at_us(11.5 * 3600)
    assert clock.judge(nine_us, arrival_us) == (nine_us, "")


def test_a_release_that_arrives_hours_late_lands_in_its_old_stretch() -> None:
    """opslane/opslane#62: the projector asks for an earlier resume point, and then comes out as if it had been there in
    time.
    """
    story = Story()
    story.rest(-100, 5, 100, every=50)
    late = story.release(10, "late", pages=3)
    story.ended(14)
    story.rest(20, 60, 103)
    story.rest(900, 9000, 103, every=900)
    expected = story.ledger()
    projector = PrinterProjector(PRINTER, Rules())
    for fact in story.facts:
        if getattr(fact, "release", "") != late.release:
            projector.add(fact)
    projector.open_run(story.current)
    before = projector.advance()
    assert before is not None
    assert projector.resume_point is not None
    assert [one.kind for segment in before.segments for one in segment.findings] == ["stray-pages"]
    assert all(projector.is_late(fact) for fact in story.facts if getattr(fact, "release", "") == late.release)
    again = PrinterProjector.reopened(PRINTER, Rules.of(story.facts), None, story.facts)
    again.open_run(story.current)
    update = again.advance()
    assert update is not None
    assert Ledger.of(update.segments) == expected
    assert kinds(expected) == []


@pytest.mark.parametrize(
    "pages",
    [float("nan"), float("inf"), -1, True, 12.0, "12", [12], 10**9],
)
def test_pages_are_a_whole_number_within_limits(pages: Any) -> None:
    """matrix-org/synapse#8106: NaN, -1, true, 12.0 and "12" are refused, and the member is named."""
    data = {"release": "r", "job": "j", "owner": "o", "printer": "p", "ticket": {"pages": pages}}
    with pytest.raises(BadFact, match=r"data\.ticket\.pages") as refused:
        event_of(RELEASE_STARTED, Origin("s", "1", 0, 0), data)
    assert refused.value.where == "data.ticket.pages"
    with pytest.raises(BadFact, match="pages_sent"):
        event_of(RELEASE_ENDED, Origin("s", "1", 0, 0), {"release": "r", "outcome": "completed", "pages_sent": pages})


def test_a_misspelt_member_is_refused_and_named() -> None:
    data = {"release": "r", "job": "j", "owner": "o", "printer": "p", "ticket": {"pags": 3}}
    with pytest.raises(BadFact, match="pags"):
        event_of(RELEASE_STARTED, Origin("s", "1", 0, 0), data)
