"""Known patterns of a difference: each with its published source, and what no pattern explains."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from pagereeve.domain.brackets.hypotheses import HYPOTHESES, hint_text
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Stretch, Verdict
from tests.findings import lines_of, text_of
from tests.unit.domain.story import POLICY, Story, brackets, finding, printed

TWO = "two-sided-long-edge"


def bracket(
    pages: int,
    counted: int,
    *,
    policy: Policy = POLICY,
    unit: Unit = Unit.IMPRESSIONS,
    media: str | None = None,
    **ticket: Any,
) -> Stretch:
    """The bracket of one release that moved the meter by ``counted``."""
    story = Story(policy)
    story.reading(-1, 100, unit=unit)
    story.release(0, pages=pages, media=media, **ticket)
    story.ended(3)
    story.rest(6, 90, 100 + counted, unit=unit)
    (one,) = brackets(story.ledger())
    return one


def hints_of(stretch: Stretch) -> set[str]:
    return {reason.removeprefix("hint-") for reason in stretch.reasons if reason.startswith("hint-")}


COUNTED = replace(POLICY, blank_backs="not-counted")
WEIGHED = replace(POLICY, large_media_weight=1)
A3 = "iso_a3_297x420mm"


@pytest.mark.parametrize(
    ("hint", "pages", "counted", "more"),
    [
        # apple/cups#1782, #489: 3 pages in 3 copies, counter +27.
        ("copies-twice", 3, 27, {"copies": 3}),
        # apple/cups#1043: another job of the same kind.
        ("copies-twice", 7, 28, {"copies": 2}),
        # The other side of apple/cups#1782: the driver's data hold the copies, the printer makes none.
        ("copies-not-made", 6, 6, {"copies": 3}),
        # apple/cups#2672, #960: 7 pages two-up are 4 sides; the claim of 7 is neither.
        ("number-up-ignored", 7, 7, {"number_up": 2}),
        # apple/cups#4073: 5 pages, counter +10, one release.
        ("repeated-job", 5, 10, {}),
        ("repeated-job", 5, 15, {}),
        # RFC 8011 section 5.2.3 (job-sheets): one banner sheet, or one before and one behind.
        ("banner-sheet", 4, 5, {}),
        ("banner-sheets", 4, 6, {}),
        # One more than the ticket names, or than the printer's policy does where the ticket names none.
        ("banner-sheet", 4, 6, {"separator_sheets": 1}),
        ("banner-sheets", 4, 7, {"separator_sheets": 1}),
        ("banner-sheet", 4, 6, {"separator_sheets": None, "policy": replace(POLICY, separator_sheets=1)}),
        # apple/cups#389, #1847; RFC 2707 section 2: the blank back of an odd two-sided copy.
        ("blank-backs-counted", 3, 4, {"sides": TWO, "policy": COUNTED}),
        ("blank-backs-not-counted", 3, 3, {"sides": TWO, "policy": replace(POLICY, blank_backs="counted")}),
        # HP-LASERJET-COMMON-MIB (prtMarkerLifeCount) against Ricoh D017 service manual: a two-sided sheet counts 2 on
        # one model and 1 on another.
        ("counts-sheets", 4, 2, {"sides": TWO}),
        ("counts-sides", 8, 8, {"sides": TWO, "unit": Unit.SHEETS}),
        # IANA-PRINTER-MIB, mediaPathCannotDuplexMediaSelected(1304): two-sided without a duplex path.
        ("not-two-sided", 4, 4, {"sides": TWO, "unit": Unit.SHEETS}),
        # docs.cpp.canon M124813, prtMarkerLifeCount: large paper counts double, two-sided large four.
        ("large-media-twice", 20, 40, {"sides": TWO, "media": A3, "policy": WEIGHED}),
    ],
)
def test_a_difference_that_equals_a_known_pattern(hint: str, pages: int, counted: int, more: dict[str, Any]) -> None:
    one = bracket(pages, counted, **more)
    assert one.verdict in {Verdict.SURPLUS, Verdict.SHORTFALL}
    assert hint in hints_of(one)
    assert hint_text(f"hint-{hint}")


@pytest.mark.parametrize(
    ("pages", "counted", "more"),
    [
        (5, 12, {}),
        (5, 3, {}),
        (3, 20, {"copies": 3}),
        (7, 30, {"number_up": 2}),
        (5, 5 * 6, {}),
    ],
)
def test_what_no_pattern_explains_carries_no_hint(pages: int, counted: int, more: dict[str, Any]) -> None:
    assert hints_of(bracket(pages, counted, **more)) == set()


@pytest.mark.parametrize(("pages", "counted"), [(5, 5), (4, 4)])
def test_a_count_as_expected_carries_no_hint(pages: int, counted: int) -> None:
    assert hints_of(bracket(pages, counted, copies=1)) == set()


def test_a_hint_is_in_the_findings_text_and_changes_no_figure() -> None:
    story = Story()
    printed(story, 0, 100, 127, pages=3, copies=3)
    told = finding(story.ledger(), "surplus")
    assert "possibly the copies are applied twice" in text_of(told)
    assert "reason: hint-copies-twice" in lines_of(told)
    assert told.pages == 18


@pytest.mark.parametrize(
    ("counted", "hint"), [(9, "jam-reprint"), (8, "jam-reprint"), (4, "jam-loss"), (3, "jam-loss"), (2, ""), (10, "")]
)
def test_a_jam_may_cost_a_few_sheets_either_way(counted: int, hint: str) -> None:
    """The device may print 1 to 3 sheets again (common practice, no source); OpenPrinting/cups#278."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=6)
    story.reading(4, 102, errors=("jammed",))
    story.ended(8)
    story.rest(60, 200, 100 + counted)
    (one,) = brackets(story.ledger())
    told = {name for name in hints_of(one) if name.startswith("jam")}
    assert told == ({hint} if hint else set())


@pytest.mark.parametrize(("counted", "hint"), [(13, ""), (12, "jam-reprint"), (0, "jam-loss"), (5, "jam-loss")])
def test_a_two_sided_job_may_lose_both_sides_of_each_sheet(counted: int, hint: str) -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=6, sides=TWO)
    story.reading(4, 100, errors=("jammed",))
    story.ended(8)
    story.rest(60, 200, 100 + counted)
    (one,) = brackets(story.ledger())
    assert {name for name in hints_of(one) if name.startswith("jam")} == ({hint} if hint else set())


def test_a_job_of_two_pages_can_lose_no_more_than_both() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=2)
    story.reading(4, 100, errors=("jammed",))
    story.ended(8)
    story.rest(60, 200, 100)
    (one,) = brackets(story.ledger())
    assert "jam-loss" in hints_of(one)


@pytest.mark.parametrize(("times", "hinted"), [(2, True), (5, True), (6, False)])
def test_a_job_may_have_come_out_up_to_five_times(times: int, hinted: bool) -> None:
    assert ("repeated-job" in hints_of(bracket(7, 7 * times))) is hinted


def test_a_job_of_no_pages_was_not_repeated() -> None:
    assert "repeated-job" not in hints_of(bracket(0, 3))


def test_without_a_jam_lost_sheets_are_no_jams() -> None:
    assert hints_of(bracket(6, 4)) == set()


def test_a_cancelled_job_of_which_a_part_came_out_says_so() -> None:
    """RFC 8011 section 5.3.7: a cancelled job can have printed any number of sheets."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=9)
    story.ended(3, outcome="cancelled")
    story.rest(6, 90, 104)
    (one,) = brackets(story.ledger())
    assert one.verdict is Verdict.AGREES
    assert "partly-printed" in one.reasons


def test_a_shared_bracket_is_looked_at_as_a_whole() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "a", pages=3, copies=2)
    story.release(1, "b", pages=2, copies=2)
    story.ended(4, "a")
    story.ended(5, "b")
    story.rest(8, 60, 120)
    (one,) = brackets(story.ledger())
    assert len(one.releases) == 2
    assert "copies-twice" in hints_of(one)


def test_each_hypothesis_has_words_and_a_cure() -> None:
    assert len({one.name for one in HYPOTHESES}) == len(HYPOTHESES)
    assert all(one.text and one.cure for one in HYPOTHESES)
