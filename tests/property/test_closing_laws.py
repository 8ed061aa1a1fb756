"""What a close freezes and what is known later: the differences balance, and lead from one to the other."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.accounts.adjustments import differences, entries_of
from pagereeve.domain.accounts.closing import Span, order_trouble
from pagereeve.domain.accounts.entries import EntryKey
from pagereeve.domain.accounts.frozen import FrozenCharge, FrozenLine, FrozenRow
from pagereeve.domain.accounts.period_sums import sums_of
from pagereeve.domain.accounts.periods import ALWAYS_US, Period
from pagereeve.domain.accounts.printer_accounts import accounts_of
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.instants import SECOND_US
from tests.property.days import DAY_US, PRINTER, make_day

SEEDS = st.integers(0, 2**32)
SPANS = st.tuples(st.integers(0, 1500 * SECOND_US), st.integers(1, 1500 * SECOND_US))


def _rows(segments: list[RowSegment], period: Period) -> list[FrozenRow]:
    accounts = accounts_of(period, sums_of(segments, period.from_us, period.to_us))
    charges = (one for segment in segments for one in segment.charges if period.holds(one.started_us))
    return [*map(FrozenLine, accounts.lines), *(FrozenCharge(one, "", "") for one in charges)]


def _sums(rows: list[FrozenRow]) -> Counter[EntryKey]:
    sums: Counter[EntryKey] = Counter()
    for row in rows:
        for key, pages, _ in entries_of(row):
            sums[key] += pages
    return sums


@given(SEEDS, SPANS, st.integers(0, 100))
def test_late_facts_come_to_adjustments_that_balance_in_each_channel(
    seed: int, span: tuple[int, int], known_percent: int
) -> None:
    """Closed when only the first part of the facts had come; then the rest arrives."""
    day = make_day(seed, 40)
    period = Period("", ZoneInfo("UTC"), DAY_US + span[0], DAY_US + span[0] + span[1])
    then = _rows(rebuild(PRINTER, day.facts[: len(day.facts) * known_percent // 100], None), period)
    now = _rows(rebuild(PRINTER, day.facts, day.open_run), period)
    found = differences(then, now)
    balance: Counter[tuple[str, str, str]] = Counter()
    for one in found:
        balance[one.key.printer, one.key.channel, one.key.unit] += one.pages
    assert not any(balance.values()), "what one account gets another gives, the meter among them"
    corrected = _sums(then)
    for one in found:
        assert corrected[one.key] == one.was
        corrected[one.key] += one.pages
    assert {key: pages for key, pages in corrected.items() if pages} == {
        key: pages for key, pages in _sums(now).items() if pages
    }


@given(SEEDS, SPANS)
def test_what_did_not_change_has_no_adjustment(seed: int, span: tuple[int, int]) -> None:
    day = make_day(seed, 40)
    period = Period("", ZoneInfo("UTC"), DAY_US + span[0], DAY_US + span[0] + span[1])
    rows = _rows(rebuild(PRINTER, day.facts, day.open_run), period)
    assert differences(rows, reversed(rows)) == []


@given(st.lists(st.tuples(st.integers(1, 50), st.integers(1, 20)), max_size=12), st.integers(1, 60))
def test_whatever_is_tried_closed_periods_follow_one_another_without_a_gap(
    tries: list[tuple[int, int]], first_us: int
) -> None:
    closed: list[Span] = []
    for nth, (from_us, length) in enumerate(tries):
        wanted = Span(f"{nth}", from_us, from_us + length)
        if order_trouble(wanted, closed, first_us, 1_000, ALWAYS_US) is None:
            closed.append(wanted)
    for before, after in pairwise(closed):
        assert before.to_us == after.from_us
    assert not closed or closed[0].from_us <= first_us
