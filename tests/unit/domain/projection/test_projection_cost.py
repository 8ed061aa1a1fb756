"""What a projection costs, in calls of functions: the same on a busy machine as on an idle one."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType

from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.projection.projector import PrinterProjector
from tests.unit.domain.story import PRINTER, Story, impressions

EVERY_S = 300
WIDE = 4
RELEASES = 30
CHANNELS = ("colour", "mono", "sheets", "total")


def calls_of(work: Callable[[], object]) -> int:
    """How many functions of Python it calls."""
    calls = 0

    def count(_frame: FrameType, event: str, _value: object) -> None:
        nonlocal calls
        calls += event == "call"

    before = sys.getprofile()
    sys.setprofile(count)
    try:
        work()
    finally:
        sys.setprofile(before)
    return calls


def taken(projector: PrinterProjector, story: Story) -> int:
    """The calls that the story's steps cost from the first that the projector has not seen."""

    def take() -> None:
        for fact, current in story.steps:
            if fact is not None:
                projector.add(fact)
            projector.open_run(current)
            projector.advance()

    calls = calls_of(take)
    story.steps.clear()
    return calls


def printed(story: Story, nth: int) -> None:
    second, before = nth * EVERY_S, 100 + 3 * nth
    story.rest(second, second + 20, before)
    story.release(second + 21, pages=3)
    story.ended(second + 25)
    story.rest(second + 30, second + 60, before + 3)


def test_a_release_costs_the_same_however_many_came_before() -> None:
    story, projector = Story(), PrinterProjector(PRINTER, Rules())
    costs: list[int] = []
    for nth in range(40):
        printed(story, nth)
        costs.append(taken(projector, story))
    early, late = sum(costs[5:15]), sum(costs[-10:])
    assert late <= WIDE * early


def test_a_reading_makes_no_row_of_a_release_that_waits_again() -> None:
    story, projector = Story(), PrinterProjector(PRINTER, Rules())
    story.rest(0, 20, counts=impressions(**dict.fromkeys(CHANNELS, 100)), total=None)
    taken(projector, story)
    for _ in range(RELEASES):
        story.release(21, pages=3)
    for fact, _ in story.steps:
        if fact is not None:
            projector.add(fact)
    story.steps.clear()
    first = calls_of(projector.advance)
    story.reading(22, counts=impressions(**dict.fromkeys(CHANNELS, 100)))
    again = taken(projector, story)
    # It was more than the first, when each projection made all rows anew.
    assert 4 * again <= 3 * first
