"""What a ticket should cost on a printer that is calibrated, and on one of which nothing is known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from pagereeve.domain.brackets.expectation import expect
from pagereeve.domain.facts.media import is_large
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Interval, Verdict
from tests.findings import text_of
from tests.unit.domain.story import POLICY, Story, accounts, brackets, finding, gaps, kinds

PLAIN = Policy()
A3, A4 = "iso_a3_297x420mm", "iso_a4_210x297mm"
TWO = "two-sided-long-edge"


def expected(
    policy: Policy, unit: Unit = Unit.IMPRESSIONS, **ticket: Any
) -> tuple[Interval, Interval, tuple[str, ...]]:
    """(count, claim, reasons)"""
    whole = {"copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0, **ticket}
    found = expect("total", unit, Ticket(**whole), None, policy)
    return found.count, found.claim, found.reasons


@pytest.mark.parametrize(
    ("media", "large"),
    [
        # PWG 5101.1 section 5: the self-describing part of a name states the size.
        (A4, False),
        ("na_letter_8.5x11in", False),
        ("na_legal_8.5x14in", False),
        (A3, True),
        ("na_ledger_11x17in", True),
        ("jis_b4_257x364mm", True),
        ("custom_label_100x150mm", False),
        ("stationery", None),
        ("", None),
    ],
)
def test_which_media_are_large(media: str, large: bool | None) -> None:
    assert is_large(media) is large


def test_large_media_may_count_once_or_twice_until_a_weight_is_proven() -> None:
    """docs.cpp.canon M124813, prtMarkerLifeCount: 10 large two-sided sheets, counter +40, 20 sides, weight 2."""
    count, claim, reasons = expected(PLAIN, pages=20, sides=TWO, media=A3)
    assert (count, claim) == (Interval(20, 40), Interval(20, 20))
    assert "large-media" in reasons
    count, claim, _ = expected(replace(PLAIN, large_media_weight=2), pages=20, sides=TWO, media=A3)
    assert (count, claim) == (Interval(40, 40), Interval(40, 40))
    count, claim, reasons = expected(replace(PLAIN, large_media_weight=1), pages=20, sides=TWO, media=A3)
    assert (count, claim, reasons) == (Interval(20, 20), Interval(20, 20), ())


def test_a_job_of_unknown_size_is_a_range_on_a_printer_that_weighs() -> None:
    """The same: when job size is unknown give a range, not an error."""
    count, claim, reasons = expected(replace(PLAIN, large_media_weight=2), pages=20)
    assert (count, claim, reasons) == (Interval(20, 40), Interval(20, 20), ("media-unknown",))
    assert expected(PLAIN, pages=20)[0] == Interval(20, 20)
    assert expected(replace(PLAIN, large_media_weight=2), pages=20, media=A4)[0] == Interval(20, 20)


@pytest.mark.parametrize(
    ("calibration", "ticket", "unit", "count"),
    [
        ({"copies": "in-pages"}, {"pages": 12, "copies": 4}, Unit.IMPRESSIONS, 12),
        ({"copies": "in-pages"}, {"pages": 12, "copies": None}, Unit.IMPRESSIONS, 12),
        ({"number_up": "in-pages"}, {"pages": 7, "number_up": 2}, Unit.IMPRESSIONS, 7),
        ({"sides": "one-sided"}, {"pages": 4, "sides": TWO}, Unit.SHEETS, 4),
        ({}, {"pages": 4, "sides": TWO}, Unit.SHEETS, 2),
    ],
)
def test_a_calibration_reads_the_ticket_as_the_printer_does(
    calibration: dict[str, Any], ticket: dict[str, Any], unit: Unit, count: int
) -> None:
    found, claim, _ = expected(replace(PLAIN, **calibration), unit, **ticket)
    assert found == claim == Interval(count, count)


def restarted_story(policy: Policy, counted: int) -> Story:
    """A release of four pages, in which the printer was off for a while."""
    story = Story(policy)
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.reading(4, 102, state="printing")
    story.restart(20)
    story.ended(25)
    story.rest(40, 90, 100 + counted)
    return story


@pytest.mark.parametrize(
    ("pages", "counted", "verdict"),
    [
        (None, 4, Verdict.AGREES),
        (None, 5, Verdict.AGREES),
        (None, 6, Verdict.SURPLUS),
        (0, 5, Verdict.SURPLUS),
        (2, 6, Verdict.AGREES),
    ],
)
def test_a_start_up_page_is_the_printers_own(pages: int | None, counted: int, verdict: Verdict) -> None:
    """RFC 3805 section 6, prtAuxiliarySheetStartupPage: a start-up page is +1 after a power cycle. It is the house's,
    whatever the verdict.
    """
    story = restarted_story(replace(POLICY, start_up_pages=pages), counted)
    ledger = story.ledger()
    (one,) = brackets(ledger)
    assert one.verdict is verdict
    assert accounts(ledger).get("person:owner-r1") == 4
    assert ("start-up-page" in one.reasons) == (pages != 0 and counted > 4)


def test_a_page_of_a_gap_in_which_the_printer_was_off_is_told_as_what_it_may_be() -> None:
    story = Story()
    story.rest(0, 60, 100, every=30)
    story.restart(100)
    story.rest(120, 180, 101, every=30)
    ledger = story.ledger()
    (gap,) = gaps(ledger)
    assert gap.reasons == ("start-up-page",)
    assert "start-up page" in text_of(finding(ledger, "stray-pages"))
    assert kinds(ledger) == ["stray-pages"]
