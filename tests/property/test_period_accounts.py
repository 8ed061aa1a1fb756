"""One rule says to which period pages belong: however a day is cut into periods, these add up to the whole."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pagereeve.domain.accounts.membership import received_in
from pagereeve.domain.accounts.period_sums import sums_of
from pagereeve.domain.accounts.periods import ALWAYS_US, Period
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, accounts_of
from pagereeve.domain.accounts.totals import Totals
from pagereeve.domain.ledger import METER, PEOPLE, Posting, RowSegment, Stretch, account_kind, is_house
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.instants import SECOND_US
from tests.property.days import DAY_US, PRINTER, make_day

UTC = ZoneInfo("UTC")
SEEDS = st.integers(0, 2**32)
KINDS = st.sampled_from(["faults", "life", "channels", "wraps", "units"])
EDGES = st.lists(st.integers(0, 1500 * SECOND_US), max_size=6)


def segments_of(seed: int, kind: str) -> list[RowSegment]:
    modulus = 1000 if kind == "wraps" else 2**32
    life = kind in {"life", "units"}
    day = make_day(seed, 60, channels=kind == "channels", life=life, modulus=modulus, units=kind == "units")
    return rebuild(PRINTER, day.facts, day.open_run)


def periods_of(segments: list[RowSegment], edges: list[int]) -> list[Period]:
    """The whole of time, cut at these instants and at some of those at which something begins or ends."""
    cuts = {DAY_US + at_us for at_us in edges}
    instants = [one.started_us for segment in segments for one in segment.charges]
    instants += [one.closes_us for segment in segments for one in segment.stretches]
    cuts |= {instants[at_us % len(instants)] for at_us in edges if instants}
    bounds = [0, *sorted(cuts), ALWAYS_US]
    return [Period("", UTC, begins, ends) for begins, ends in pairwise(bounds)]


def account_sums(accounts: AccountsOfPeriod) -> Counter[tuple[str, str, str]]:
    sums: Counter[tuple[str, str, str]] = Counter()
    for line in accounts.lines:
        sums[line.channel, line.unit, METER] += line.counted
        for kind, pages in line.received.items():
            sums[line.channel, line.unit, kind] += pages
    return sums


def _place(one: Stretch | Posting) -> tuple[int, str, int, int]:
    return (one.run, one.channel, one.opens_us, one.closes_us)


def nonzero(sums: Counter[tuple[str, str, str]]) -> dict[tuple[str, str, str], int]:
    return {key: pages for key, pages in sums.items() if pages}


@given(SEEDS, KINDS, EDGES)
def test_however_time_is_cut_the_periods_of_each_account_add_up_to_the_whole(
    seed: int, kind: str, edges: list[int]
) -> None:
    segments = segments_of(seed, kind)
    parts: Counter[tuple[str, str, str]] = Counter()
    for period in periods_of(segments, edges):
        parts.update(account_sums(accounts_of(period, sums_of(segments, period.from_us, period.to_us))))
    whole: Counter[tuple[str, str, str]] = Counter()
    units = {_place(one): one.unit.value for segment in segments for one in segment.stretches}
    for posting in (one for segment in segments for one in segment.postings):
        for account, pages in posting.legs:
            kind = account_kind(account)
            unit = units[_place(posting)]
            whole[posting.channel, unit, kind] += -pages if kind == METER else pages
    assert nonzero(parts) == nonzero(whole)


@given(SEEDS, KINDS, EDGES)
def test_in_each_period_the_meter_its_edges_people_and_the_house_meet(seed: int, kind: str, edges: list[int]) -> None:
    segments = segments_of(seed, kind)
    """Three sources: figures of the meter in stretches, charges of persons, postings of the house."""
    for period in periods_of(segments, edges):
        accounts = accounts_of(period, sums_of(segments, period.from_us, period.to_us))
        charged: Counter[tuple[str, str]] = Counter()
        for charge in (one for segment in segments for one in segment.charges if period.holds(one.started_us)):
            charged[charge.channel, "" if charge.unit is None else charge.unit.value] += charge.charged
        for line in accounts.lines:
            assert line.conserved, line
            assert line.people == charged.pop((line.channel, line.unit), 0)
            shown = (line.meter_end or 0) - (line.meter_start or 0) + line.meter_restarts
            assert shown + line.over_start + line.over_end == line.people + line.house
        assert not any(charged.values())


@given(st.integers(0, 2**32), EDGES)
@example(5129, [155, 328867])
def test_where_the_meter_runs_on_its_two_figures_alone_say_what_it_counted(seed: int, edges: list[int]) -> None:
    day = make_day(seed, 60, faults=False)
    segments = rebuild(PRINTER, day.facts, day.open_run)
    ends: list[int | None] = []
    for period in periods_of(segments, edges):
        for line in accounts_of(period, sums_of(segments, period.from_us, period.to_us)).lines:
            assert line.meter_restarts == 0
            assert not ends or line.meter_start == ends[-1], "each period begins where the one before ended"
            ends.append(line.meter_end)


@given(SEEDS, KINDS, EDGES)
def test_persons_and_printers_of_a_period_speak_of_the_same_releases(seed: int, kind: str, edges: list[int]) -> None:
    segments = segments_of(seed, kind)
    for period in periods_of(segments, edges):
        charges = [one for segment in segments for one in segment.charges if period.holds(one.started_us)]
        persons = sum(line.charged for line in Totals("person").add_all(charges).lines())
        lines = accounts_of(period, sums_of(segments, period.from_us, period.to_us)).lines
        assert persons == sum(line.received[PEOPLE] for line in lines)


@given(SEEDS, KINDS, EDGES)
def test_the_parts_of_a_posting_in_all_periods_are_the_posting(seed: int, kind: str, edges: list[int]) -> None:
    segments = segments_of(seed, kind)
    periods = periods_of(segments, edges)
    for received in (one for segment in segments for one in received_in(segment)):
        parts: Counter[str] = Counter()
        for period in periods:
            part = received.within(period)
            for account, pages in () if part is None else part.legs:
                parts[account] += pages
            assert part is None or sum(pages for _, pages in part.legs) == 0
        posting = received.posting
        assert posting is not None
        assert {account: pages for account, pages in parts.items() if pages} == dict(posting.legs)


@given(SEEDS, st.sampled_from(["faults", "channels", "wraps"]))
def test_every_posting_has_its_stretch_and_its_receipts_go_by_its_windows(seed: int, kind: str) -> None:
    for segment in segments_of(seed, kind):
        received = list(received_in(segment))
        assert len(received) == len(segment.postings)
        for one in received:
            starts = {charge.started_us for charge in segment.charges if charge.release in one.stretch.releases}
            for receipt in one.receipts:
                if is_house(receipt.account):
                    assert receipt.at_us == min(starts, default=one.stretch.closes_us)
                else:
                    assert receipt.at_us in starts


@pytest.mark.parametrize("kind", ["faults", "life", "channels", "wraps"])
def test_the_days_do_cut_brackets(kind: str) -> None:
    """Else the laws above would hold of nothing."""
    over = 0
    for seed in range(20):
        segments = segments_of(seed, kind)
        for period in periods_of(segments, list(range(0, 1500 * SECOND_US, 100 * SECOND_US))):
            over += len(accounts_of(period, sums_of(segments, period.from_us, period.to_us)).edges)
    assert over > 20
