"""The settle time learnt from a printer's own pauses: worked timelines and the bounds."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.brackets.timeline import Timeline
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Grade, ReleaseKey
from pagereeve.domain.projection.projection import Projected, project
from pagereeve.domain.projection.settle_time import (
    LOWERED_FROM,
    REMEMBERED,
    Observed,
    differs,
    observe,
    settle_time_us,
    short_until_us,
)
from pagereeve.domain.values.instants import SECOND_US
from tests.unit.domain.story import POLICY, Story, at_us

S = SECOND_US


def view_of(story: Story) -> Projected:
    facts = [*story.facts, *([] if story.current is None else [story.current])]
    return project(Timeline.of(story.printer, facts, Rules.of(facts)))


def pauses(story: Story) -> list[float]:
    return [round(one.pause_us / S, 6) for one in observe(view_of(story))]


def test_a_rest_between_two_movements_is_a_pause() -> None:
    """A counter that steps, rests for seven seconds with nothing printing, and steps again."""
    story = Story()
    story.rest(-60, 0, 100)
    story.release(0, "r", pages=4)
    story.rest(3, 10, 102, every=1)
    story.ended(5, "r")
    story.rest(11, 60, 104, every=1)
    (pause_s,) = pauses(story)
    assert 6.8 <= pause_s <= 7.1


def test_a_count_that_stands_while_the_printer_says_it_prints_is_no_rest() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.release(0, "r", pages=4)
    story.rest(3, 10, 102, every=1, state="printing")
    story.ended(5, "r")
    story.rest(11, 60, 104, every=1)
    assert pauses(story) == [0.0]


def short_then_late(late_s: float, late: int = 2, *, other_s: float | None = None) -> Story:
    """Four pages released, two counted, the window closes; then ``late`` more come at ``late_s``."""
    story = Story()
    story.rest(-60, 0, 100)
    story.release(0, "r", pages=4)
    story.ended(3, "r")
    story.rest(4, late_s - 1, 102, every=1)
    if other_s is not None:
        story.release(other_s, "other", pages=2)
    story.rest(late_s, late_s + 200, 102 + late, every=2)
    return story


def test_missing_pages_that_surface_after_the_window_are_a_witness() -> None:
    # The counter lags behind the end: half of the job is shown twenty seconds later.
    (pause_s,) = pauses(short_then_late(25))
    assert 19.8 <= pause_s <= 20.1


def test_the_wait_for_the_first_page_is_no_pause_of_the_job() -> None:
    """Readings that begin as the first page may land: which rest was the wait for it, nobody saw."""
    floor_s = POLICY.floor_us / S
    unseen, seen_before = Story(), Story()
    seen_before.rest(-60, 0, 100)
    for story in (unseen, seen_before):
        story.release(0, "r", pages=4)
        story.rest(floor_s, 8, 102, every=1)
        story.ended(5, "r")
        story.rest(9, 60, 104, every=1)
    # Without a count from before it, nothing agrees.
    assert pauses(unseen) == []
    (pause_s,) = pauses(seen_before)
    assert pause_s == round(8 - floor_s - 0.1, 1)


def test_the_rest_that_closes_a_window_is_no_pause_though_it_ends_there() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.release(0, "r", pages=4)
    story.ended(3, "r")
    story.rest(4, 14.1, 104, every=1)
    story.rest(20, 90, 107, every=1)
    assert pauses(story) == [0.0]


def test_a_release_that_never_moved_the_meter_says_nothing_of_its_rests() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.release(0, "r", pages=4)
    story.ended(3, "r")
    story.rest(4, 200, 100)
    assert pauses(story) == []


def test_windows_that_overlap_teach_nothing() -> None:
    """A release every eleven seconds: the wait for the next job is no pause of the last one."""
    story = Story()
    story.rest(-60, 0, 100, every=1)
    for nth in range(12):
        begin_s = 11 * nth
        story.release(begin_s, f"r{nth}", pages=2)
        story.rest(begin_s + 1, begin_s + 4, 100 + 2 * nth, every=1, state="printing")
        story.ended(begin_s + 3, f"r{nth}")
        story.rest(begin_s + 5, begin_s + 10, 102 + 2 * nth, every=1)
    story.rest(133, 160, 124, every=1)
    assert pauses(story) == []


def test_a_window_that_does_not_agree_teaches_nothing() -> None:
    """Two pages of the four are somebody's copies: the pause before them is no pause of the job."""
    story = Story()
    story.rest(-60, 0, 100)
    story.release(0, "r", pages=2)
    story.ended(3, "r")
    story.rest(3, 9, 102, every=1)
    story.rest(10, 60, 104, every=1)
    assert pauses(story) == []


def test_missing_pages_may_come_until_the_longest_settle_time_has_passed() -> None:
    # The count rests from 4.1 s on; an answer is in hand a tenth of a second after it was asked for.
    longest_s = POLICY.settle_longest_us / S
    assert pauses(short_then_late(4 + longest_s)) != []
    assert pauses(short_then_late(4.001 + longest_s)) == []


def test_missing_pages_are_anothers_from_the_instant_of_its_release_on() -> None:
    assert pauses(short_then_late(40, other_s=40.1)) == []
    assert pauses(short_then_late(40, other_s=40.101)) != []


def test_a_printer_that_prints_nothing_after_a_short_bracket_shows_no_pause() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.release(0, "r", pages=4)
    story.ended(3, "r")
    story.rest(4, 24, 102, every=1)
    story.reading(25, 102, state="printing")
    story.rest(26, 200, 102)
    assert pauses(story) == []


@pytest.mark.parametrize(
    "story",
    [
        # More than was missing: somebody copied.
        short_then_late(25, late=5),
        short_then_late(25, late=3),
        # Later than any settle time may be.
        short_then_late(300),
        # Another release began meanwhile: the pages may be its own.
        short_then_late(40, other_s=35),
    ],
)
def test_pages_that_may_be_anothers_are_no_witness(story: Story) -> None:
    assert not any(pauses(story))


def test_a_copy_after_a_release_that_agrees_stretches_nothing() -> None:
    story = Story()
    story.rest(-60, 0, 100)
    story.release(0, "r", pages=4)
    story.ended(3, "r")
    story.rest(4, 30, 104, every=1)
    story.rest(31, 90, 107, every=1)
    assert pauses(story) == [0.0]
    assert short_until_us(view_of(story)) == 0


def test_a_short_bracket_is_watched_for_its_missing_pages() -> None:
    story = short_then_late(25)
    closed_s = 4 + POLICY.settle_us / S
    until_us = short_until_us(view_of(story))
    assert until_us == pytest.approx(at_us(closed_s) + POLICY.settle_longest_us, abs=2 * S)
    # A later release that agrees asks for no longer watch.
    story.release(500, "agrees", pages=1)
    story.ended(502, "agrees")
    story.rest(503, 560, 105)
    assert short_until_us(view_of(story)) == until_us


def seen(*pauses_s: float) -> list[Observed]:
    return [
        Observed(at_us(nth), ReleaseKey("urn:invented:server", f"r{nth}"), round(pause * S))
        for nth, pause in enumerate(pauses_s)
    ]


@pytest.mark.parametrize(
    ("observed", "settle_s"),
    [
        ([], 10),
        # One odd pause is an accident; the same twice is a habit.
        (seen(8, 0, 0), 10),
        (seen(8, 8, 0), 14),
        (seen(9, 6, 0), 11),
        # However it shows: two short brackets are two windows.
        (seen(20, 20), 32),
        # The policy bounds both ends.
        (seen(200, 200), 120),
        (seen(2, 2), 10),
        # Only the last twenty are remembered.
        (seen(30, 30, *[0] * REMEMBERED), 10),
        (seen(30, 30, *[0] * 18), 47),
        (seen(30, 30, *[0] * 19), 10),
    ],
)
def test_the_settle_time_is_above_every_pause_that_is_confirmed(observed: list[Observed], settle_s: int) -> None:
    assert settle_time_us(observed, Policy(), 10 * S) == settle_s * S


def test_it_is_lowered_only_on_much_evidence() -> None:
    few, many = seen(*[0.0] * (LOWERED_FROM - 1)), seen(*[0.0] * LOWERED_FROM)
    assert settle_time_us(few, Policy(), 30 * S) == 30 * S
    assert settle_time_us(many, Policy(), 30 * S) == 10 * S


def test_a_change_must_be_worth_a_fact() -> None:
    assert not differs(11_900_000, 10 * S)
    assert differs(12 * S, 10 * S)
    assert not differs(100 * S, 90 * S)
    assert differs(10 * S, 30 * S)
    assert not differs(1_500_000, 1 * S)
    assert not differs(2 * S - 1, 1 * S)
    assert differs(2 * S, 1 * S)


OBSERVED = st.lists(
    st.builds(
        Observed,
        st.integers(0, 10**6),
        st.builds(ReleaseKey, st.just("s"), st.text(max_size=3)),
        st.integers(0, 10**9),
    ),
    max_size=40,
    unique_by=lambda one: one.key,
)


@given(OBSERVED, st.randoms(), st.integers(0, 300 * S), st.integers(0, 300 * S))
def test_it_lies_within_its_bounds_whatever_the_order(
    observed: list[Observed], random: object, settle_us: int, longest_us: int
) -> None:
    policy = replace(Policy(), settle_us=settle_us, settle_longest_us=longest_us)
    advance = settle_time_us(observed, policy, settle_us)
    assert settle_us <= advance <= max(settle_us, longest_us)
    shuffled = [*observed, *observed]
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert settle_time_us(shuffled, policy, settle_us) == advance


def overlapping(first_pages: int = 4, last: int = 107) -> Story:
    """A rests for seven seconds in its midst; B starts four seconds behind the last page of A, whose window is open."""
    story = Story()
    story.rest(-60, 0, 100)
    story.release(0, "A", pages=first_pages)
    story.ended(1, "A")
    story.rest(3, 9.8, 102, every=0.5)
    story.rest(10, 14, 104, every=0.5)
    story.release(14.2, "B", pages=3)
    story.ended(15, "B")
    story.rest(15.1, 16, 104, every=0.3)
    story.rest(17, 90, last, every=1)
    return story


def test_windows_that_overlap_teach_a_pause_where_a_proven_rest_parts_their_pages() -> None:
    view = view_of(overlapping())
    first, second = (window for window in view.windows)
    assert first.closes_us is not None
    assert second.release.start_us < first.closes_us
    assert [(one.key.release, round(one.pause_us / S)) for one in observe(view)] == [("A", 7)]
    assert list(observe(view, {first.release.key, second.release.key})) == []


def test_windows_that_overlap_teach_nothing_where_their_pages_are_not_what_was_released_to_the_page() -> None:
    assert [one.key.release for one in observe(view_of(overlapping(first_pages=5)))] == []
    assert [one.key.release for one in observe(view_of(overlapping(last=108)))] == ["A"]


@pytest.mark.parametrize("jobs", [True, False])
def test_windows_that_overlap_teach_nothing_where_only_counts_or_jobs_part_their_pages(*, jobs: bool) -> None:
    """B's notice comes while A rests in its midst; the printer prints B once A is over."""
    story = Story()
    story.rest(-60, 0, 100)
    story.release(0, "A", pages=4, printer_job=7)
    story.ended(1, "A")
    story.rest(3, 5, 102, every=0.5)
    story.release(5.2, "B", pages=3, printer_job=8)
    story.ended(6, "B")
    story.rest(6.2, 9.8, 102, every=0.4)
    story.rest(10, 14.5, 104, every=0.5)
    story.rest(17, 90, 107, every=1)
    if jobs:
        story.job(3, 7, "processing", 2, began=(0.5, 3.1))
        story.job(10, 7, "completed", 4, began=(0.5, 3.1), ended=(9.8, 10.1))
        story.job(10, 8, "pending", None, began=None)
        story.job(17, 8, "processing", 1, began=(14.5, 17.1))
        story.job(19, 8, "completed", 3, began=(14.5, 17.1), ended=(17, 19.1))
    view = view_of(story)
    assert {one.grade for one in view.stretches() if one.releases} == {Grade.INFERRED}
    assert list(observe(view)) == []
