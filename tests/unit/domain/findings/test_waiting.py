"""What waits for a verdict is counted beside what is conserved; a long wait is told, with releases and reason."""

from __future__ import annotations

from typing import Any

import pytest

from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.findings.waiting import LONG, Waiting, slow_page_us
from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.projector import PrinterProjector
from pagereeve.domain.values.instants import SECOND_US
from tests.findings import text_of
from tests.unit.domain.story import POLICY, SERVER, Story, at_us, finding, impressions, kinds, printed

LONG_S = LONG * POLICY.unmoved_us // SECOND_US
PAGE_S = slow_page_us(POLICY) // SECOND_US
# Of the story of an empty tray: ten pages, and the end notice at second 5.
UNUSUAL_S = 5 + LONG_S + 10 * PAGE_S


def view_of(story: Story) -> Projected:
    projector = PrinterProjector(story.printer, Rules.of(story.facts))
    for fact in story.facts:
        projector.add(fact)
    projector.open_run(story.current)
    return projector.projected()


def stopped(until_s: float) -> Story:
    """Ten pages, of which four come out before the tray is empty, at second 20."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=10)
    story.ended(5, "A")
    story.reading(10, 102, state="printing")
    story.reading(20, 104, state="printing")
    story.rest(25, until_s, 104, state="other", errors=("noPaper",))
    return story


def test_a_release_that_waits_for_long_is_named_with_since_when_and_why() -> None:
    told = finding(stopped(UNUSUAL_S).ledger(), "windows-waiting")
    assert (told.state, told.since_us, told.severity) == ("open", at_us(0), "warning")
    assert told.releases == (ReleaseKey(SERVER, "A"),)
    assert text_of(told).startswith("1 release without a verdict since ")
    assert text_of(told).endswith(": the printer is stopped")


def test_a_wait_that_is_not_long_yet_is_counted_and_not_told() -> None:
    story = stopped(UNUSUAL_S - 1)
    assert "windows-waiting" not in kinds(story.ledger())
    view = view_of(story)
    assert view.waits == [Waiting("total", 4, 1)]
    assert view.waits_told_us == at_us(UNUSUAL_S)


def test_what_was_told_is_closed_when_the_wait_is_over() -> None:
    story = stopped(UNUSUAL_S + 20)
    at_s = UNUSUAL_S + 21
    story.reading(at_s, 107, state="printing")
    story.rest(at_s + 5, at_s + 60, 110)
    told = finding(story.ledger(), "windows-waiting")
    (window,) = view_of(story).windows
    assert (told.state, told.until_us) == ("closed", window.closes_us)
    assert told.id == finding(stopped(UNUSUAL_S + 20).ledger(), "windows-waiting").id
    assert text_of(told).startswith("1 release waited for a verdict from ")
    assert view_of(story).waits == [Waiting("total", 0, 0)]


def test_a_long_job_has_time_for_its_pages() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=40)
    for nth in range(40):
        story.reading(10 * (nth + 1), 101 + nth, state="printing")
    assert LONG_S < 10 * 40 < LONG_S + 40 * PAGE_S
    assert "windows-waiting" not in kinds(story.ledger())
    assert view_of(story).waits == [Waiting("total", 40, 1)]


def test_releases_that_go_on_coming_hide_no_wait() -> None:
    """A state that sticks, and somebody releases all the time: the first one's time is over all the same."""
    story = Story()
    story.rest(-60, -1, 100, state="printing")
    for nth in range(14):
        story.release(30 * nth, f"r{nth}", pages=1)
        story.ended(30 * nth + 1)
        story.rest(30 * nth + 5, 30 * nth + 29, 101 + nth, state="printing")
    told = finding(story.ledger(), "windows-waiting")
    assert len(told.releases) == 14
    assert text_of(told).startswith("14 releases without a verdict")


def test_a_notice_that_comes_hours_late_has_not_waited() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=2, received_s=7000)
    story.ended(5, "A")
    story.rest(6990, 7060, 102)
    assert kinds(story.ledger()) == []


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"state": "printing"}, "says that it is at work"),
        ({"state": "idle", "errors": ("jammed",)}, "the printer is stopped"),
    ],
)
def test_the_reason_is_what_the_meter_shows(more: dict[str, Any], why: str) -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=2)
    story.release(1, "B", pages=2)
    story.rest(5, 30 + LONG_S + 2 * PAGE_S, 100, **more)
    told = finding(story.ledger(), "windows-waiting")
    assert why in text_of(told)
    assert "2 releases" in text_of(told)


def test_releases_at_a_meter_that_is_not_read_wait() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=2)
    story.failed(5, tries=3 + int(LONG_S + 2 * PAGE_S) // 3)
    ledger = story.ledger()
    assert kinds(ledger) == ["meter-silent", "windows-waiting"]
    assert "has not been read" in text_of(finding(ledger, "windows-waiting"))


def test_releases_at_a_printer_that_nobody_registered_are_told_by_that() -> None:
    story = Story(policy=None)
    story.release(0, "A")
    story.release(2 * LONG_S, "B")
    assert kinds(story.ledger()) == ["unknown-printer"]
    assert view_of(story).waits == [Waiting("total", 0, 2)]


def test_one_that_is_judged_waits_no_more() -> None:
    story = Story()
    printed(story, 0, 100, 103, pages=3)
    assert view_of(story).waits == [Waiting("total", 0, 0)]
    printed(story, 100, 103, 105, pages=2)
    story.reading(140, 105)
    story.release(150, "C", pages=5)
    story.reading(155, 107, state="printing")
    assert view_of(story).waits == [Waiting("total", 2, 1)]


def test_a_channel_that_is_gone_waits_no_more() -> None:
    story = Story()
    story.rest(-30, -1, 100, counts=impressions(copies=7))
    story.release(0, "A", pages=2)
    story.reading(5, 102, counts=impressions(copies=9))
    story.rest(10, 60, 500, serial="K2")
    waits = {one.channel: one for one in view_of(story).waits}
    assert waits["copies"] == Waiting("copies", 0, 0)
    assert waits["total"] == Waiting("total", 0, 0)


def test_pages_of_a_run_that_ended_meanwhile_wait_too() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "A", pages=20)
    story.reading(5, 104, state="printing")
    story.reading(10, 500, serial="K2", state="printing")
    story.reading(15, 506, serial="K2", state="printing")
    assert view_of(story).waits == [Waiting("total", 10, 1)]
