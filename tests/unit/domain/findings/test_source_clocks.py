"""A source whose clock can't be used: from the first notice that shows it to the first that doesn't."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.brackets.timeline import Timeline
from pagereeve.domain.facts.facts import ClockMark, ReleaseStarted
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.findings.source_clocks import TROUBLES_MAX, ClocksWatched, ClockTroubles, watch_clocks
from tests.findings import lines_of, text_of
from tests.unit.domain.story import PRINTER, Story, at_us, finding, kinds

CLOCK = "source-clock-off"


def timeline_of(story: Story) -> Timeline:
    return Timeline.of(PRINTER, story.facts, Rules.of(story.facts))


def watched(story: Story, before: ClockTroubles = (), after_us: int = -1) -> ClocksWatched:
    return watch_clocks(timeline_of(story), before, after_us)


def released(*marks: ClockMark, source: str = "urn:s") -> Story:
    """Releases a minute apart with these marks."""
    story = Story()
    for nth, mark in enumerate(marks):
        story.release(60.0 * nth, f"r{nth}", clock=mark, source=source)
    return story


@pytest.mark.parametrize("mark", ["future", "implausible-past", "behind"])
def test_it_lasts_from_the_first_bad_notice_to_the_first_good_one(mark: ClockMark) -> None:
    found = watched(released("", mark, mark, "corrected", "")).findings
    ((settled_us, one),) = found
    assert (settled_us, one.since_us, one.until_us, one.state) == (at_us(180), at_us(60), at_us(180), "closed")
    assert "release r1 of urn:s" in lines_of(one)
    assert text_of(one).startswith("the clock of urn:s showed ")
    ((settled_us, one),) = watched(released("", mark, mark)).findings
    assert (settled_us, one.since_us, one.until_us, one.state) == (None, at_us(60), None, "open")
    twice = watched(released(mark, "", mark, "")).findings
    assert [(one.since_us, one.until_us) for _, one in twice] == [(at_us(0), at_us(60)), (at_us(120), at_us(180))]
    assert len({one.id for _, one in twice}) == 2


@pytest.mark.parametrize("mark", ["", "corrected", "missing"])
def test_a_clock_that_is_merely_corrected_is_no_trouble(mark: ClockMark) -> None:
    assert watched(released(mark, mark)) == ClocksWatched()


def test_one_source_says_nothing_of_anothers_clock() -> None:
    story = released("future", source="urn:bad")
    story.release(30, "other", source="urn:good")
    ((settled_us, one),) = watched(story).findings
    assert (settled_us, one.state) == (None, "open")
    assert "urn:bad" in text_of(one)


def test_an_end_notice_shows_it_too() -> None:
    story = released("future")
    story.ended(60, "r0", source="urn:s")
    assert [one.until_us for _, one in watched(story).findings] == [at_us(60)]


def test_a_notice_that_names_no_time_shows_nothing() -> None:
    story = released("future", "")
    *others, last = story.facts
    assert isinstance(last, ReleaseStarted)
    story.facts = [*others, replace(last, origin=replace(last.origin, occurred_us=None))]
    assert [one.until_us for _, one in watched(story).findings] == [None]


@pytest.mark.parametrize(("after_us", "found"), [(at_us(60) - 1, 1), (at_us(60), 0)])
def test_what_lies_behind_the_resume_point_is_remembered_and_not_seen_twice(after_us: int, found: int) -> None:
    story = released("", "future")
    whole = watched(story)
    assert len(watched(story, after_us=after_us).findings) == found
    ((known_us, before),) = whole.states
    assert known_us == at_us(60)
    resumed = watched(story, before, at_us(60))
    assert resumed.findings == whole.findings
    assert resumed.states == []


def test_sixteen_sources_at_once_are_remembered() -> None:
    story = Story()
    for nth in range(TROUBLES_MAX + 1):
        story.release(float(nth), f"r{nth}", clock="future", source=f"urn:s{nth}")
    found = watched(story)
    assert TROUBLES_MAX == 16
    assert [len(troubles) for _, troubles in found.states] == [*range(1, 17), 16]
    assert {text_of(one).split()[3] for _, one in found.findings} == {f"urn:s{nth}" for nth in range(1, 17)}


def test_it_is_among_the_findings_of_the_ledger() -> None:
    story = released("future", "future", "")
    story.rest(0, 400, 100)
    ledger = story.ledger()
    assert kinds(ledger).count(CLOCK) == 1
    assert finding(ledger, CLOCK).until_us == at_us(120)
