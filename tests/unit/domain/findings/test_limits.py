"""Findings of the timeline on their limits: whom a silence, a restart, a badge or a note still concerns."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.findings.finding import EVIDENCE_MAX, beyond, make, with_evidence
from pagereeve.domain.ledger import Interval
from pagereeve.domain.values.instants import SECOND_US
from tests.findings import lines_of, said, text_of
from tests.unit.domain.story import POLICY, Story, at_us, finding, kinds, printed

BADGE_ASKED = replace(POLICY, badge_within_us=60 * SECOND_US)
MICROSECOND_S = 0.000001


@pytest.mark.parametrize(
    ("counted", "expected", "pages"),
    [
        (3, Interval(4, 6), -1),
        (4, Interval(4, 6), 0),
        (6, Interval(4, 6), 0),
        (7, Interval(4, 6), 1),
        (9, Interval(4, None), 0),
        (2, Interval(4, None), -2),
        (0, Interval(0, 0), 0),
    ],
)
def test_by_how_many_pages_a_count_lies_outside(counted: int, expected: Interval, pages: int) -> None:
    assert beyond(counted, expected) == pages


@pytest.mark.parametrize(("lines", "last"), [(EVIDENCE_MAX, "line 19"), (EVIDENCE_MAX + 1, "... and 1 more")])
def test_twenty_lines_of_evidence_are_kept(lines: int, last: str) -> None:
    told = make("unknown-printer", "p", (), 1, said("text"), [said(f"line {nth}") for nth in range(lines)])
    assert lines_of(told)[-1] == last
    assert lines_of(told)[19] == "line 19"
    assert len(lines_of(with_evidence(told, [said("added")]))) == len(lines_of(told)) + 1


@pytest.mark.parametrize(("tries", "found"), [(1, []), (2, ["meter-silent"])])
def test_a_meter_is_silent_from_the_second_failed_read_on(tries: int, found: list[str]) -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.failed(1, tries=tries)
    assert kinds(story.ledger()) == found


@pytest.mark.parametrize(("good", "found"), [(True, []), (False, ["meter-silent"])])
def test_a_good_reading_between_two_failed_ones_parts_them(good: bool, found: list[str]) -> None:
    """Also one at the very instant at which the first was given up and the second was asked for."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.failed(0)
    if good:
        story.reading(2, 100, state="printing", took_s=0)
    story.failed(2)
    assert kinds(story.ledger()) == found


@pytest.mark.parametrize(("waits_s", "found"), [(0, ["meter-silent"]), (MICROSECOND_S, [])])
def test_a_silence_concerns_releases_up_to_its_last_instant(waits_s: float, found: list[str]) -> None:
    # Asked for at 0 and at 3 s; the second answer was given up at 5 s.
    story = Story()
    story.reading(-5, 100)
    story.failed(0, tries=2)
    story.reading(8, 100)
    story.release(5 + waits_s, pages=4)
    story.ended(9)
    story.rest(12, 40, 104)
    assert kinds(story.ledger()) == found


@pytest.mark.parametrize(("sooner_s", "found"), [(0, []), (MICROSECOND_S, ["meter-silent"])])
def test_a_silence_concerns_no_release_whose_window_closed_before_it(sooner_s: float, found: list[str]) -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.reading(6, 104)
    # That window closes at 16.1 s, though the answer that shows it came later.
    story.failed(16.1 - sooner_s, tries=2)
    story.reading(60, 104)
    assert kinds(story.ledger()) == found


def test_a_silence_ends_with_the_reading_that_came_as_it_was_given_up() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.failed(1, tries=2)
    story.reading(6, 102, state="printing", took_s=0)
    told = finding(story.ledger(), "meter-silent")
    assert (told.state, told.until_us) == ("closed", at_us(6))


def test_a_silence_that_goes_on_shows_the_earlier_ones_whole() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    for nth, reason in enumerate(("timeout", "refused", "unreachable")):
        story.failed(1 + 10 * nth, reason, tries=2)
    told = finding(story.ledger(), "meter-silent")
    assert len(told.evidence) == 3
    assert "(no answer, the agent refused, not reachable)" in text_of(told)
    ends = [dict(one.values).get("to_us") for one in told.evidence]
    assert ends == [at_us(6), at_us(16), None]
    assert told.what.value("since_us") == at_us(1)
    story.rest(40, 60, 104)
    over = finding(story.ledger(), "meter-silent")
    assert [over.what.value(name) for name in ("from_us", "to_us", "tries")] == [at_us(1), at_us(26), 6]


@pytest.mark.parametrize(
    ("badge_s", "found"),
    [
        (-60 - MICROSECOND_S, ["release-without-badge"]),
        (-60, []),
        (1, []),
        (1 + MICROSECOND_S, ["release-without-badge"]),
    ],
)
def test_a_badge_counts_from_a_minute_before_the_release_to_its_first_page(badge_s: float, found: list[str]) -> None:
    story = Story(BADGE_ASKED)
    story.badge(badge_s)
    printed(story, 0, 100, 104, pages=4)
    assert kinds(story.ledger()) == found


def restarted_at(second: float, *, release_s: float, seen_s: float) -> Story:
    """Equal readings; a restart, first seen in hand at ``seen_s``, while the printer warms up."""
    story = Story()
    story.rest(0, 600, 100, every=100)
    story.restart(second)
    story.reading(seen_s - 0.1, 100, state="warmup")
    story.release(release_s, pages=4)
    story.ended(release_s + 3)
    story.rest(seen_s + 10, seen_s + 60, 104)
    return story


@pytest.mark.parametrize(("sooner_s", "found"), [(0, []), (MICROSECOND_S, ["printer-restarted"])])
def test_a_restart_concerns_releases_that_began_before_it_was_seen(sooner_s: float, found: list[str]) -> None:
    story = restarted_at(700, release_s=720 - sooner_s, seen_s=720)
    assert kinds(story.ledger()) == found


@pytest.mark.parametrize(("first_s", "found"), [(16.1, []), (16.0, ["printer-restarted"])])
def test_a_restart_concerns_no_release_whose_window_had_closed(first_s: float, found: list[str]) -> None:
    """The window closes at 16.1 s, shown by a reading at that instant or by one after the restart."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, first_s, 104)
    story.restart(17)
    story.reading(60, 104, state="warmup")
    assert kinds(story.ledger()) == found


def test_a_note_explains_a_replacement_from_the_last_reading_to_a_day_after_the_first() -> None:
    for noted_s, state in ((30.1, "explained"), (30.0, "open"), (60.1 + 86_400, "explained"), (60.2 + 86_400, "open")):
        story = Story()
        story.reading(0, 100)
        story.reading(30, 101)
        story.noted(noted_s, "meter-replaced")
        story.serial = "K2"
        story.rest(60, 90, 5)
        assert finding(story.ledger(), "meter-replaced").state == state
