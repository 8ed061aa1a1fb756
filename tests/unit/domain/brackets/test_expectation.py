"""What a ticket should cost: values of RFC 2707 and RFC 8011, and a table that follows from them."""

from __future__ import annotations

from itertools import product

import pytest

from pagereeve.domain.brackets.expectation import expect, total_of
from pagereeve.domain.facts.facts import Origin, Outcome, ReleaseEnded
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.facts.ticket import ColorMode, Sides, Ticket
from pagereeve.domain.ledger import Interval

SIDES: dict[int, Sides] = {1: "one-sided", 2: "two-sided-long-edge"}


def ticket(
    pages: int | None = 1,
    *,
    copies: int | None = 1,
    number_up: int | None = 1,
    sides: Sides | None = "one-sided",
    separator_sheets: int | None = 0,
) -> Ticket:
    return Ticket(pages=pages, copies=copies, number_up=number_up, sides=sides, separator_sheets=separator_sheets)


def ended(outcome: Outcome = "completed", pages_sent: int | None = None) -> ReleaseEnded:
    return ReleaseEnded("p", Origin("s", "e", 0, 0), "r", outcome, pages_sent)


# Derived from RFC 2707 section 2 and RFC 8011 sections 5.2.8 and 5.2.9: P, U, sides, C, content impressions, sheets,
# side-passes.
DERIVED = [
    (1, 1, 1, 1, 1, 1, 1),
    (2, 1, 2, 1, 2, 1, 2),
    (3, 1, 2, 1, 3, 2, 4),
    (5, 1, 2, 3, 15, 9, 18),
    (10, 2, 2, 1, 5, 3, 6),
    (7, 4, 2, 2, 4, 2, 4),
    (1, 1, 2, 4, 4, 4, 8),
    (9, 2, 1, 2, 10, 10, 10),
    (16, 4, 2, 5, 20, 10, 20),
    (4, 16, 2, 1, 1, 1, 2),
    (100, 1, 2, 1, 100, 50, 100),
]


@pytest.mark.parametrize(("pages", "up", "sides", "copies", "content", "sheets", "passes"), DERIVED)
def test_the_derived_table_holds_for_a_meter_of_impressions(
    pages: int, up: int, sides: int, copies: int, content: int, sheets: int, passes: int
) -> None:
    asked = ticket(pages, number_up=up, sides=SIDES[sides], copies=copies)
    expected = expect("total", Unit.IMPRESSIONS, asked, None, Policy())
    assert expected.count == Interval(content, passes)
    assert expected.released == content
    assert ("blank-backs" in expected.reasons) == (content != passes)


@pytest.mark.parametrize(("pages", "up", "sides", "copies", "content", "sheets", "passes"), DERIVED)
def test_the_derived_table_holds_for_a_meter_of_sheets(
    pages: int, up: int, sides: int, copies: int, content: int, sheets: int, passes: int
) -> None:
    asked = ticket(pages, number_up=up, sides=SIDES[sides], copies=copies)
    expected = expect("total", Unit.SHEETS, asked, None, Policy())
    assert expected.count == Interval(sheets, sheets)
    assert expected.released == sheets


@pytest.mark.parametrize(("pages", "up", "sides", "copies", "content", "sheets", "passes"), DERIVED)
def test_a_calibrated_printer_leaves_no_room_for_blank_backs(
    pages: int, up: int, sides: int, copies: int, content: int, sheets: int, passes: int
) -> None:
    asked = ticket(pages, number_up=up, sides=SIDES[sides], copies=copies)
    counting = expect("total", Unit.IMPRESSIONS, asked, None, Policy(blank_backs="counted"))
    skipping = expect("total", Unit.IMPRESSIONS, asked, None, Policy(blank_backs="not-counted"))
    assert counting.count == Interval(passes, passes)
    assert skipping.count == Interval(content, content)
    assert counting.released == skipping.released == content


@pytest.mark.parametrize(
    ("asked", "impressions"),
    [
        # RFC 2707 section 3.4: 3 copies of 2 documents of 3 one-sided impressions, whatever the collation.
        (ticket(6, copies=3), Interval(18, 18)),
        # RFC 8011 section 5.2.7: pages 41 to 60 of eight documents of ten; and four pages of each of eight.
        (ticket(20), Interval(20, 20)),
        (ticket(32), Interval(32, 32)),
        # RFC 2707 section 2: the last sheet of an odd two-sided job; two pages on one side.
        (ticket(1, sides="two-sided-short-edge"), Interval(1, 2)),
        (ticket(2, number_up=2), Interval(1, 1)),
        # apple/cups#389: 3 pages, 2 copies, two-sided: 6 to 8 sides.
        (ticket(3, copies=2, sides="two-sided-long-edge"), Interval(6, 8)),
        # apple/cups#2672: 7 pages two-up are 4 sides.
        (ticket(7, number_up=2), Interval(4, 4)),
        # An empty job is nothing, however many copies (invented).
        (ticket(0, copies=None, sides=None), Interval(0, 0)),
    ],
)
def test_values_of_the_standards_and_of_the_field(asked: Ticket, impressions: Interval) -> None:
    assert expect("total", Unit.IMPRESSIONS, asked, None, Policy()).count == impressions


def test_seven_pages_two_up_two_sided_are_two_sheets() -> None:
    """apple/cups#2672 and #960: pages on a side ignored."""
    asked = ticket(7, number_up=2, sides="two-sided-long-edge")
    assert expect("total", Unit.SHEETS, asked, None, Policy()).count == Interval(2, 2)


@pytest.mark.parametrize(
    ("asked", "unit", "policy_sheets", "count"),
    [
        # RFC 8011 section 5.2.3: one sheet each, one impression one-sided, up to two on a two-sided job.
        (ticket(4, separator_sheets=1), Unit.IMPRESSIONS, 0, Interval(5, 5)),
        (ticket(4, separator_sheets=2), Unit.SHEETS, 0, Interval(6, 6)),
        (ticket(4, sides="two-sided-long-edge", separator_sheets=1), Unit.IMPRESSIONS, 0, Interval(5, 6)),
        (ticket(4, sides="two-sided-long-edge", separator_sheets=1), Unit.SHEETS, 0, Interval(3, 3)),
        # The ticket says nothing: the printer's policy does. RFC 8011 section 5.2.3: one or two, the site decides.
        (ticket(4, separator_sheets=None), Unit.IMPRESSIONS, 0, Interval(4, 4)),
        (ticket(4, separator_sheets=None), Unit.IMPRESSIONS, 2, Interval(6, 6)),
        (ticket(4, separator_sheets=None), Unit.IMPRESSIONS, None, Interval(4, 6)),
        (ticket(4, separator_sheets=0), Unit.IMPRESSIONS, 2, Interval(4, 4)),
    ],
)
def test_separator_sheets_cost_but_nobody_asked_for_them(
    asked: Ticket, unit: Unit, policy_sheets: int | None, count: Interval
) -> None:
    expected = expect("total", unit, asked, None, Policy(separator_sheets=policy_sheets))
    assert expected.count == count
    assert expected.claim == expect("total", unit, ticket(4, sides=asked.sides), None, Policy()).claim


@pytest.mark.parametrize(
    ("sides", "sheets", "unit", "reasons"),
    [
        ("two-sided-long-edge", 1, Unit.IMPRESSIONS, ("separator-backs",)),
        ("two-sided-long-edge", 0, Unit.IMPRESSIONS, ()),
        ("two-sided-long-edge", 1, Unit.SHEETS, ()),
        ("one-sided", 1, Unit.IMPRESSIONS, ()),
    ],
)
def test_backs_of_separators_are_named_where_there_may_be_any(
    sides: Sides, sheets: int, unit: Unit, reasons: tuple[str, ...]
) -> None:
    asked = ticket(4, sides=sides, separator_sheets=sheets)
    assert expect("total", unit, asked, None, Policy()).reasons == reasons


@pytest.mark.parametrize("channel", ["copies", "faxes", "picked"])
def test_nobody_is_owed_or_owes_what_is_no_function_of_a_release(channel: str) -> None:
    expected = expect(channel, Unit.IMPRESSIONS, ticket(4), None, Policy())
    assert (expected.count, expected.claim) == (Interval(0, None), Interval(0, 0))
    assert expected.released == 0


def test_a_job_of_no_pages_claims_none_on_any_ticket() -> None:
    for asked in (ticket(0), ticket(0, copies=3), ticket(0, copies=None, number_up=None, sides=None)):
        expected = expect("total", Unit.IMPRESSIONS, asked, None, Policy())
        assert (expected.count, expected.claim) == (Interval(0, 0), Interval(0, 0))


def test_unknown_separators_are_named_as_a_reason() -> None:
    expected = expect("total", Unit.IMPRESSIONS, ticket(separator_sheets=None), None, Policy(separator_sheets=None))
    assert expected.reasons == ("separators-unknown",)


@pytest.mark.parametrize(
    ("asked", "unit", "count", "reason"),
    [
        (ticket(5, copies=None), Unit.IMPRESSIONS, Interval(5, None), "copies-unknown"),
        (ticket(5, number_up=None), Unit.IMPRESSIONS, Interval(1, 5), "number-up-unknown"),
        (ticket(5, sides=None), Unit.IMPRESSIONS, Interval(5, 6), "sides-unknown"),
        (ticket(5, sides=None), Unit.SHEETS, Interval(3, 5), "sides-unknown"),
        (ticket(None), Unit.IMPRESSIONS, Interval(0, None), "pages-unknown"),
        (Ticket(), Unit.SHEETS, Interval(0, None), "pages-unknown"),
    ],
)
def test_what_the_ticket_leaves_open_widens_the_interval_and_says_so(
    asked: Ticket, unit: Unit, count: Interval, reason: str
) -> None:
    expected = expect("total", unit, asked, None, Policy())
    assert expected.count == count
    assert reason in expected.reasons


def test_pages_come_from_the_end_notice_where_the_ticket_has_none() -> None:
    expected = expect("total", Unit.IMPRESSIONS, ticket(None), ended(pages_sent=8), Policy())
    assert expected.count == Interval(8, 8)
    assert expected.reasons == ("pages-from-end-notice",)


def test_a_ticket_beats_the_end_notice() -> None:
    assert expect("total", Unit.IMPRESSIONS, ticket(5), ended(pages_sent=8), Policy()).count == Interval(5, 5)


@pytest.mark.parametrize("outcome", ["cancelled", "aborted"])
def test_a_job_that_did_not_complete_may_have_printed_any_part(outcome: Outcome) -> None:
    """RFC 8011 section 5.3.7: cancelled and aborted jobs can have printed any number of sheets."""
    expected = expect("total", Unit.IMPRESSIONS, ticket(9), ended(outcome), Policy())
    assert expected.count == Interval(0, 9)
    assert expected.released == 9
    assert expected.reasons == (outcome,)


@pytest.mark.parametrize(
    ("channel", "mode", "count"),
    [
        ("mono", "monochrome", Interval(6, 6)),
        ("colour", "monochrome", Interval(0, 0)),
        ("mono", "color", Interval(0, 6)),
        ("colour", "color", Interval(0, 6)),
        ("colour", "auto", Interval(0, 6)),
        ("duplex", None, Interval(0, 6)),
    ],
)
def test_a_part_of_the_total_is_bounded_by_the_total(channel: str, mode: ColorMode | None, count: Interval) -> None:
    asked = Ticket(pages=6, copies=1, sides="one-sided", number_up=1, color_mode=mode, separator_sheets=0)
    expected = expect(channel, Unit.IMPRESSIONS, asked, None, Policy())
    assert expected.count == count
    assert expected.released is None


def test_no_ticket_makes_an_interval_upside_down() -> None:
    choices = product(
        (None, 0, 1, 3, 16), (None, 1, 4), (None, 1, 3), (None, *SIDES.values()), (None, 0, 2), tuple(Unit)
    )
    for pages, up, copies, sides, separators, unit in choices:
        asked = ticket(pages, number_up=up, copies=copies, sides=sides, separator_sheets=separators)
        for blank_backs in ("unknown", "counted", "not-counted"):
            policy = Policy(blank_backs=blank_backs, separator_sheets=None)
            one = expect("total", unit, asked, None, policy)
            assert one.count.most is None or one.count.least <= one.count.most
            assert one.claim.most is None or one.claim.least <= one.claim.most
            assert one.claim.least <= one.count.least


def test_several_releases_sum_end_by_end_and_one_open_end_opens_the_sum() -> None:
    assert total_of([Interval(1, 2), Interval(3, 5)]) == Interval(4, 7)
    assert total_of([Interval(1, 2), Interval(3, None)]) == Interval(4, None)
    assert total_of([]) == Interval(0, 0)
