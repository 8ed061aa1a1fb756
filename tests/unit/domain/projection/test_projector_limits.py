"""Where a projection may start again, and what comes too late for it: one microsecond or one fact on either side."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.brackets.timeline import Timeline
from pagereeve.domain.facts.facts import BadgePresented, PlateauRead, ReadFailed, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.projection.projection import Projected, project
from pagereeve.domain.projection.projector import DROPPED_MAX, HOLD_BACK_US, PrinterProjector
from pagereeve.domain.projection.resume_point import ResumePoint, latest_resume_point
from pagereeve.domain.values.codec import FIGURE_MAX
from pagereeve.domain.values.errors import BadFact
from tests.unit.domain.story import PRINTER, Story, at_us, impressions

NEVER_US = at_us(10**6)
NOTICES = (ReleaseStarted, ReleaseEnded)


def view_of(story: Story) -> Projected:
    facts = [*story.facts, *([] if story.current is None else [story.current])]
    return project(Timeline.of(story.printer, facts, Rules.of(facts)))


def resumes_at(story: Story, limit_us: int, after_us: int = -1) -> int | None:
    point = latest_resume_point(view_of(story), after_us, limit_us)
    return None if point is None else point.at_us


def resting(*release_s: float) -> Story:
    """One plateau, in hand from 0.1 s on and asked for last at 120 s. A release moves nothing: it closes after 60 s."""
    story = Story()
    story.rest(0, 120, 100)
    for second in release_s:
        story.release(second)
    return story


@pytest.mark.parametrize(
    ("limit_us", "resumed_us"),
    [
        (NEVER_US, at_us(120)),
        (at_us(60), at_us(60)),
        (at_us(0.1), at_us(0.1)),
        (at_us(0.1) - 1, None),
    ],
)
def test_it_starts_as_late_in_the_plateau_as_the_limit_allows(limit_us: int, resumed_us: int | None) -> None:
    assert resumes_at(resting(), limit_us) == resumed_us


def test_it_never_starts_where_it_started_before() -> None:
    assert resumes_at(resting(), at_us(60), after_us=at_us(60)) is None
    assert resumes_at(resting(), at_us(60), after_us=at_us(60) - 1) == at_us(60)


@pytest.mark.parametrize(
    ("limit_us", "resumed_us"),
    [
        (at_us(100), at_us(100)),
        (at_us(100) - 1, at_us(40) - 1),
        (at_us(40), at_us(40) - 1),
        (at_us(40) - 1, at_us(40) - 1),
        (at_us(40) - 2, at_us(40) - 2),
    ],
)
def test_it_never_starts_inside_a_window(limit_us: int, resumed_us: int) -> None:
    assert resumes_at(resting(40), limit_us) == resumed_us


def test_of_windows_that_overlap_the_earliest_is_left_out_too() -> None:
    assert resumes_at(resting(20, 50), at_us(90)) == at_us(20) - 1


def test_a_window_that_begins_with_the_plateau_leaves_no_place_before_it() -> None:
    assert resumes_at(resting(0.1), at_us(50)) is None
    assert resumes_at(resting(0.101), at_us(50)) == at_us(0.101) - 1


def test_a_sample_that_lacks_a_channel_of_its_run_is_no_place_to_start() -> None:
    story = Story()
    story.rest(0, 60, counts=impressions(total=100, copies=5), total=None)
    story.rest(70, 120, 100)
    assert resumes_at(story, NEVER_US) == at_us(60)


def point_at(second: float) -> ResumePoint:
    point = latest_resume_point(view_of(resting()), -1, at_us(second))
    assert point is not None
    assert point.at_us == at_us(second)
    return point


def behind(second: float) -> PrinterProjector:
    """A projector that begins again at a second of the plateau."""
    return PrinterProjector(PRINTER, Rules.of(Story().facts), point_at(second))


def started(at: int) -> ReleaseStarted:
    story = Story()
    story.release(0, "r")
    fact = story.facts[-1]
    assert isinstance(fact, ReleaseStarted)
    return replace(fact, origin=replace(fact.origin, at_us=at))


def ended(at: int) -> ReleaseEnded:
    story = Story()
    story.ended(0, "r")
    fact = story.facts[-1]
    assert isinstance(fact, ReleaseEnded)
    return replace(fact, origin=replace(fact.origin, at_us=at))


@pytest.mark.parametrize(("after_us", "late"), [(-1, True), (0, True), (1, False)])
def test_a_release_that_starts_at_the_resume_point_or_before_is_late(after_us: int, late: bool) -> None:
    assert behind(60).is_late(started(at_us(60) + after_us)) is late


@pytest.mark.parametrize(("after_us", "late"), [(-1, True), (0, False), (1, False)])
def test_readings_and_failures_that_end_before_the_resume_point_are_late(after_us: int, late: bool) -> None:
    story = Story()
    story.reading(0, 100)
    story.failed(10)
    story.reading(20, 100)
    plateau = next(fact for fact in story.facts if isinstance(fact, PlateauRead))
    silence = next(fact for fact in story.facts if isinstance(fact, ReadFailed))
    last_us = at_us(60) + after_us
    assert behind(60).is_late(replace(plateau, plateau=replace(plateau.plateau, last_received_us=last_us))) is late
    assert behind(60).is_late(replace(silence, silence=replace(silence.silence, last_received_us=last_us))) is late


def test_an_end_is_late_unless_its_start_is_in_hand() -> None:
    projector = behind(60)
    assert projector.is_late(ended(at_us(70)))
    projector.add(started(at_us(61)))
    assert not projector.is_late(ended(at_us(70)))


@pytest.mark.parametrize(("after_us", "late"), [(-1, True), (0, True), (1, False)])
def test_a_second_start_that_takes_an_end_from_the_first_is_late(after_us: int, late: bool) -> None:
    """The first start lies behind the resume point: with it the end must be looked at again."""
    projector = behind(60)
    projector.add(ended(at_us(80)))
    again = started(at_us(80) + after_us)
    assert not projector.is_late(again)
    assert projector.is_late(again, again=True) is late


def test_a_reading_that_spans_the_resume_point_is_needed_behind_it() -> None:
    story = Story()
    story.reading(0, 100)
    story.reading(20, 101)
    plateau = next(fact for fact in story.facts if isinstance(fact, PlateauRead))
    for after_us, needed in ((-1, False), (0, True), (1, True)):
        spanning = replace(plateau, plateau=replace(plateau.plateau, last_received_us=at_us(60) + after_us))
        projector = PrinterProjector.reopened(PRINTER, Rules.of(Story().facts), point_at(60), [spanning])
        assert (projector.last_read() is not None) is needed


def test_badges_are_needed_for_an_hour_behind_the_resume_point_and_no_longer() -> None:
    """What is needed no more must go, or a printer's memory grows with each badge."""
    story = Story()
    for second in (60 - 3600.000001, 60 - 3600, 60 - 3599.999999, 0, 60, 70):
        story.badge(second, f"b-{second}")
    badges = [fact for fact in story.facts if isinstance(fact, BadgePresented)]
    projector = PrinterProjector.reopened(PRINTER, Rules.of(Story().facts), point_at(60), badges)
    assert list(projector._facts.values()) == badges[2:]


def test_facts_before_the_resume_point_are_left_out_when_it_is_opened_again() -> None:
    story = Story()
    story.release(10, "behind")
    story.ended(80, "behind")
    story.release(70, "later")
    # An end may claim to be before its start: it goes with its start.
    story.ended(20, "later")
    projector = PrinterProjector.reopened(PRINTER, Rules.of(Story().facts), point_at(60), story.facts)
    kept = [(type(fact).__name__, fact.release) for fact in projector._facts.values() if isinstance(fact, NOTICES)]
    assert kept == [("ReleaseEnded", "behind"), ("ReleaseStarted", "later"), ("ReleaseEnded", "later")]


def advanced(story: Story, hold_back_us: int, before_us: int | None = None) -> int | None:
    projector = PrinterProjector(PRINTER, Rules.of(story.facts), hold_back_us=hold_back_us)
    assert projector.anchor_us == 0
    for fact in story.facts:
        projector.add(fact)
    projector.open_run(story.current)
    projector.advance(before_us)
    return None if projector.resume_point is None else projector.resume_point.at_us


def test_the_resume_point_stays_as_far_behind_as_facts_may_come_late() -> None:
    story = Story()
    story.rest(0, 600, 100)
    # Two minutes.
    assert advanced(story, HOLD_BACK_US) == at_us(480.1)
    assert advanced(story, 0) == at_us(600)


def test_the_resume_point_stays_before_facts_that_are_known_to_follow() -> None:
    story = Story()
    story.rest(0, 600, 100)
    assert advanced(story, 0, before_us=at_us(200)) == at_us(200) - 1
    assert advanced(story, 0, before_us=at_us(900)) == at_us(600)


def test_a_resume_point_is_stored_once_as_many_facts_are_left_behind_as_may_be() -> None:
    story = Story()
    for nth in range(DROPPED_MAX * 2 + 20):
        # Each reading differs from the one before, so that each is a fact, and none is of a page.
        story.reading(600 * nth, 100, errors=("lowToner",) * (nth % 2))
    projector = PrinterProjector(PRINTER, Rules.of(story.facts), hold_back_us=0)
    added, left_behind, stored = 0, 0, []
    for fact, current in story.steps:
        if fact is not None and not projector.rules.add(fact):
            projector.add(fact)
            added += 1
        projector.open_run(current)
        update = projector.advance()
        left_behind = added - len(projector._facts)
        if update is not None and any(segment.resume_point is not None for segment in update.segments):
            stored.append(left_behind)
    assert stored[:2] == [200, 400] == [DROPPED_MAX, 2 * DROPPED_MAX]


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"totals": {"total": 0}}, None),
        ({"totals": {"total": FIGURE_MAX}}, None),
        ({"totals": {"total": -1}}, r"totals\.total: is -1; 0 to"),
        ({"totals": {"total": FIGURE_MAX + 1}}, r"totals\.total: is \d+; 0 to"),
        ({"run": 1}, None),
        ({"run": FIGURE_MAX}, None),
        ({"run": FIGURE_MAX + 1}, r"run: is \d+; 1 to"),
    ],
)
def test_figures_of_a_stored_resume_point_have_limits(change: dict[str, object], problem: str | None) -> None:
    members = point_at(60).to_json() | change
    if problem is None:
        assert ResumePoint.from_json(members).to_json() == members
        return
    with pytest.raises(BadFact, match=problem):
        ResumePoint.from_json(members)
