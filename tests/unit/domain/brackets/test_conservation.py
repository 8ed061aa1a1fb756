"""The law of conservation finds what it is there for: a page too few, one too many, one of nobody's run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pagereeve.domain.brackets.conservation import Conserved, conserved
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import Posting
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.projector import PrinterProjector
from tests.unit.domain.story import PRINTER, Story, printed


def two_releases() -> Story:
    """Four pages and three of two releases, and five of nobody between them."""
    story = Story()
    printed(story, 0, 100, 104, pages=4)
    story.rest(100, 160, 109)
    printed(story, 200, 109, 112, pages=3)
    return story


def view_of(story: Story) -> Projected:
    projector = PrinterProjector(PRINTER, Rules.of(story.facts))
    for fact in story.facts:
        projector.add(fact)
    projector.open_run(story.current)
    return projector.projected()


def lines(story: Story, postings: Sequence[Posting]) -> list[Conserved]:
    view = view_of(story)
    return conserved(PRINTER, view.runs.runs, view.windows, postings)


def test_what_the_meter_counted_is_what_somebody_received() -> None:
    story = two_releases()
    (line,) = lines(story, view_of(story).postings())
    assert line.ok
    assert (line.run, line.channel, line.first, line.last, line.accounted) == (1, "total", 100, 112, 12)


def test_a_posting_that_is_missing_or_there_twice_breaks_it() -> None:
    story = two_releases()
    postings = view_of(story).postings()
    assert len(postings) == 3
    for nth in range(3):
        assert [one.ok for one in lines(story, postings[:nth] + postings[nth + 1 :])] == [False]
    assert [one.ok for one in lines(story, [*postings, postings[0]])] == [False]


def test_a_page_too_few_or_too_many_breaks_it() -> None:
    story = two_releases()
    first, *others = view_of(story).postings()
    for more in (-1, 1):
        (meter, given), (account, received) = first.legs
        moved = replace(first, legs=((meter, given - more), (account, received + more)))
        assert [one.ok for one in lines(story, [moved, *others])] == [False]
        # Legs that do not add up to nothing, though persons received the right number.
        uneven = replace(first, legs=((meter, given - more), (account, received)))
        (line,) = lines(story, [uneven, *others])
        assert (line.ok, line.accounted) == (False, 12)


def test_pages_of_a_run_that_nobody_read_break_it() -> None:
    story = two_releases()
    first, *others = view_of(story).postings()
    found = lines(story, [replace(first, run=7), *others])
    assert [(one.run, one.ok) for one in found] == [(1, False), (7, False)]
    found = lines(story, [first, *others, replace(first, channel="mono")])
    assert [(one.channel, one.ok) for one in found] == [("mono", False), ("total", True)]


def test_what_is_still_under_way_is_nobodys_yet() -> None:
    story = two_releases()
    story.release(300, pages=9)
    story.reading(304, 115, state="printing")
    (line,) = lines(story, view_of(story).postings())
    assert (line.ok, line.first, line.last) == (True, 100, 112)


def test_each_run_stands_for_itself() -> None:
    story = two_releases()
    story.serial = "K2"
    story.rest(400, 460, 7000)
    story.rest(500, 560, 7002)
    postings = view_of(story).postings()
    found = lines(story, postings)
    assert [(one.run, one.first, one.last, one.accounted, one.ok) for one in found] == [
        (1, 100, 112, 12, True),
        (2, 7000, 7002, 2, True),
    ]
    swapped = [replace(one, run=3 - one.run) for one in postings]
    assert [one.ok for one in lines(story, swapped)] == [False, False]
