"""A supplier's bill against what the meter showed at its cuts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.accounts.supplier_bill import (
    Agreement,
    BilledFigure,
    BillLine,
    Shown,
    Unsaid,
    check_figure,
    checked,
    serial_key,
    shown_by,
)
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Stretch

DAY = 86_400_000_000
# 1,000 until the middle of day 1; 1,040 from its evening on, until day 30; then 1,200; another meter on day 40.
LIFE = (
    Shown(1_000, 0, 1),
    Shown(1_000, DAY + DAY // 2, 1),
    Shown(1_040, DAY + 3 * DAY // 4, 1),
    Shown(1_040, 30 * DAY, 1),
    Shown(1_200, 30 * DAY + 1, 1),
    Shown(1_200, 39 * DAY, 1),
    Shown(17, 40 * DAY, 2),
    Shown(90, 60 * DAY, 2),
)


def at(figure: int, at_us: int, until_us: int | None = None) -> BilledFigure:
    return BilledFigure(figure, at_us, at_us if until_us is None else until_us)


@pytest.mark.parametrize(
    ("billed", "agreement", "off"),
    [
        (at(1_000, DAY), Agreement.AGREES, 0),
        (at(1_001, DAY), Agreement.DIFFERS, 1),
        (at(990, DAY), Agreement.DIFFERS, -10),
        (at(1_020, DAY, 2 * DAY), Agreement.AGREES, 0),
        (at(1_041, DAY, 2 * DAY), Agreement.DIFFERS, 1),
        (at(1_040, 2 * DAY), Agreement.AGREES, 0),
        (at(90, 60 * DAY), Agreement.AGREES, 0),
    ],
)
def test_a_figure_lies_between_the_readings_around_its_instant_or_its_day(
    billed: BilledFigure, agreement: Agreement, off: int
) -> None:
    found = check_figure(billed, LIFE)
    assert (found.agreement, found.off) == (agreement, off)


@pytest.mark.parametrize(
    ("billed", "shown", "why"),
    [
        (at(5, -1), LIFE, Unsaid.NO_READING_BEFORE),
        (at(90, 61 * DAY), LIFE, Unsaid.NO_READING_AFTER),
        (at(1_200, 39 * DAY + 5), LIFE, Unsaid.METER_CHANGED),
        (at(5, DAY), (Shown(4_294_967_290, 0, 1), Shown(3, 2 * DAY, 1)), Unsaid.METER_CHANGED),
        (at(5, DAY), (), Unsaid.NO_SUCH_CHANNEL),
    ],
)
def test_where_nothing_can_be_said_the_reason_is(billed: BilledFigure, shown: tuple[Shown, ...], why: Unsaid) -> None:
    found = check_figure(billed, shown)
    assert (found.agreement, found.why, found.off) == (Agreement.UNKNOWN, why, 0)


def test_what_was_counted_between_two_days_is_known_within_their_edges() -> None:
    life = (Shown(1_000, 0, 1), Shown(1_050, DAY, 1), Shown(1_100, 30 * DAY, 1), Shown(1_150, 31 * DAY, 1))
    line = BillLine(2, "INV-01", "total", at(1_000, 0, DAY), at(1_150, 30 * DAY, 31 * DAY))
    found = checked(line, life, "north")
    assert (found.counted, found.agreement, line.pages) == ((50, 150), Agreement.AGREES, 150)
    longer = replace(line, closing=at(1_151, 30 * DAY, 31 * DAY))
    assert checked(longer, life, "north").agreement is Agreement.DIFFERS


def test_a_line_over_two_meters_is_checked_end_by_end() -> None:
    found = checked(BillLine(2, "INV-01", "total", at(1_000, DAY), at(90, 60 * DAY)), LIFE, "north")
    assert (found.counted, found.agreement) == (None, Agreement.AGREES)


def test_serial_numbers_as_people_write_them() -> None:
    assert serial_key(" xk-90 21 B") == serial_key("XK9021b")


def test_what_the_cuts_showed() -> None:
    stretch = Stretch("north", 1, "total", Unit.IMPRESSIONS, 10, 20, 100, 105, 5)
    broken = replace(stretch, run=2, opens_us=20, closes_us=30, before=None, after=7)
    other = replace(stretch, channel="color", before=1, after=2)
    assert shown_by([stretch, broken, other], "total") == (Shown(100, 10, 1), Shown(105, 20, 1), Shown(7, 30, 2))
