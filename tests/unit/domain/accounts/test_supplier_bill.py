"""A supplier's bill against what the meter showed around its dates."""

from __future__ import annotations

import pytest

from pagereeve.domain.accounts.supplier_bill import (
    Agreement,
    BilledFigure,
    BillLine,
    Shown,
    Unsaid,
    check_figure,
    joined,
    serial_key,
)

BEFORE, AFTER = Shown(1_000, 10), Shown(1_040, 20)


def at(figure: int, at_us: int = 15) -> BilledFigure:
    return BilledFigure(figure, at_us, at_us)


@pytest.mark.parametrize(("figure", "off"), [(1_000, 0), (1_040, 0), (1_041, 1), (999, -1), (0, -1_000)])
def test_a_figure_lies_between_the_readings_around_it_or_is_off_by_what_is_beyond_them(figure: int, off: int) -> None:
    found = check_figure(at(figure), BEFORE, AFTER)
    assert (found.agreement, found.off) == (Agreement.DIFFERS if off else Agreement.AGREES, off)


@pytest.mark.parametrize(
    ("before", "after", "one_run", "why"),
    [
        (None, AFTER, True, Unsaid.NO_READING_BEFORE),
        (BEFORE, None, True, Unsaid.NO_READING_AFTER),
        (None, None, True, Unsaid.NO_READING_BEFORE),
        (BEFORE, AFTER, False, Unsaid.METER_CHANGED),
        (Shown(4_294_967_290, 10), Shown(3, 20), True, Unsaid.METER_CHANGED),
    ],
)
def test_where_nothing_can_be_said_the_reason_is(
    before: Shown | None, after: Shown | None, one_run: bool, why: Unsaid
) -> None:
    found = check_figure(at(1_020), before, after, one_run=one_run)
    assert (found.agreement, found.why, found.off) == (Agreement.UNKNOWN, why, 0)


def test_what_was_counted_between_two_days_is_known_within_their_edges() -> None:
    line = BillLine(2, "INV-01", "total", at(1_000), at(1_150))
    opening = check_figure(line.opening, Shown(1_000, 0), Shown(1_050, 20))
    closing = check_figure(line.closing, Shown(1_100, 30), Shown(1_150, 40))
    found = joined(line, "north", opening, closing, one_run=True)
    assert (found.counted, found.agreement, line.pages) == ((50, 150), Agreement.AGREES, 150)
    assert joined(line, "north", opening, closing, one_run=False).counted is None


def test_a_line_differs_if_one_end_does_and_agrees_only_if_both_do() -> None:
    line = BillLine(2, "INV-01", "total", at(1_000), at(1_150))
    agrees, differs = check_figure(at(1_000), BEFORE, AFTER), check_figure(at(1_050), BEFORE, AFTER)
    unsaid = check_figure(at(1_000), None, AFTER)
    assert joined(line, "north", agrees, agrees, one_run=True).agreement is Agreement.AGREES
    assert joined(line, "north", agrees, unsaid, one_run=True).agreement is Agreement.UNKNOWN
    assert joined(line, "north", unsaid, differs, one_run=True).agreement is Agreement.DIFFERS


def test_serial_numbers_as_people_write_them() -> None:
    assert serial_key(" xk-90 21 B") == serial_key("XK9021b")
