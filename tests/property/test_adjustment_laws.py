"""Closes one after the other while facts keep coming late: what is closed stays, and what corrects it adds up."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Iterable
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.app.closing import ClosingRequest, close_period
from pagereeve.domain.accounts.adjustments import Entry, entries_of
from pagereeve.domain.accounts.entries import Adjustment, EntryKey
from pagereeve.domain.accounts.export_rows import ExportRow
from pagereeve.domain.accounts.period_rows import rows_in
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.queries.adjustments import ChangesTo, changes_to, outstanding
from pagereeve.queries.as_sealed import period_of_closed
from pagereeve.queries.closed_periods import closed_export
from pagereeve.queries.closing import detailed_rows
from pagereeve.store.memory.journal import MemoryJournal
from tests.journal_samples import badge
from tests.property.days import DAY_US, PRINTER, make_day
from tests.property.test_export_rows import BERLIN, GROUPINGS, KINDS, SEEDS, at_printer, exported, nonzero, sums_of

EDGES = st.lists(st.integers(0, 400 * SECOND_US), min_size=3, max_size=3, unique=True)
KNOWN = st.lists(st.integers(0, 100), min_size=4, max_size=4)
PRINTERS = ("east", "west")
AFTER_US = DAY_US + 40 * 86_400 * SECOND_US
Sums = Counter[EntryKey]
Made = dict[str, list[ExportRow]]


def periods_of(edges: list[int]) -> list[Period]:
    cuts = [DAY_US - 86_400 * SECOND_US, *(DAY_US + at_us for at_us in sorted(edges)), DAY_US + 2 * 86_400 * SECOND_US]
    return [Period(f"p{nth}", BERLIN, *cut) for nth, cut in enumerate(pairwise(cuts))]


async def know(journal: MemoryJournal, seed: int, kind: str, percent: int) -> None:
    """As if so many of each printer's facts had come by now."""
    for nth, printer in enumerate(PRINTERS):
        modulus = 1000 if kind == "wraps" else 2**32
        life, units = kind in {"life", "units"}, kind == "units"
        day = make_day(seed + nth, 60, channels=kind == "channels", life=life, modulus=modulus, units=units)
        run = day.open_run if percent == 100 else None
        segments = rebuild(PRINTER, day.facts[: len(day.facts) * percent // 100], run)
        await journal.replace(printer, None, [at_printer(one, printer) for one in segments])


async def close(journal: MemoryJournal, period: Period) -> ClosedPeriod:
    return await close_period(journal, ClosingRequest(period, "a test"), "bursar", AFTER_US)


async def closed_exports(journal: MemoryJournal, closed: ClosedPeriod) -> Made:
    async with journal.snapshot() as held:
        made: Made = {}
        for by in GROUPINGS:
            export = await closed_export(held, closed, by)
            made[by] = [row async for row in export.rows]
            assert not export.adding.differences
        return made


async def begun(seed: int, kind: str, percent: int) -> MemoryJournal:
    journal = MemoryJournal()
    await journal.append(badge("b-1", "", at_us=DAY_US))
    await know(journal, seed, kind, percent)
    return journal


@given(SEEDS, KINDS, EDGES, KNOWN)
@settings(max_examples=12, deadline=None)
def test_three_closes_in_a_row_keep_their_exports_and_their_corrections_lead_to_what_is_known(
    seed: int, kind: str, edges: list[int], known: list[int]
) -> None:
    async def look() -> None:
        percents = sorted(known)
        journal, periods = await begun(seed, kind, percents[0]), periods_of(edges)
        made: dict[str, Made] = {}
        for period, percent in zip(periods[:3], [*percents[1:]], strict=True):
            await _require_adding_up(journal, period)
            closed = await close(journal, period)
            assert await outstanding(journal) == [], "the close takes over all that is outstanding"
            made[closed.name] = await closed_exports(journal, closed)
            await know(journal, seed, kind, percent)
            await _require_adding_up(journal, periods[periods.index(period) + 1])
            for one in await journal.closed_periods():
                assert await closed_exports(journal, one) == made[one.name], "a closed export never changes"
                [changes] = await changes_to(journal, one)
                await _require_leading_to_today(journal, changes)

    asyncio.run(look())


async def _require_adding_up(journal: MemoryJournal, period: Period) -> None:
    """Of the period that can be closed next, by whatever it is grouped."""
    corrections = await outstanding(journal)
    meters = Counter({("", ""): 0})
    for one in corrections:
        if one.is_of_meter:
            meters[one.adjustment.key.channel, one.adjustment.key.unit] -= one.pages
    for by in GROUPINGS:
        export, rows = await exported(journal, period, by)
        assert not export.adding.differences
        assert nonzero(sums_of(rows, "adjustment")) == nonzero(meters), "they come to what the meters show otherwise"
        others = sums_of(rows, "people", "house", "decision", "adjustment")
        assert nonzero(others) == nonzero(sums_of(rows, "total"))


async def _require_leading_to_today(journal: MemoryJournal, changes: ChangesTo) -> None:
    frozen: Sums = Counter()
    async for row in journal.frozen_rows(changes.closed):
        _add(frozen, entries_of(row))
    taken = [one.correction.adjustment for one in changes.taken]
    waiting = [one.adjustment for one in changes.outstanding]
    for one in (*taken, *waiting):
        frozen[one.key] += one.pages
    period, today = period_of_closed(changes.closed), Counter[EntryKey]()
    for printer in PRINTERS:
        _add(today, (entry for row in rows_in(period, await journal.segments(printer)) for entry in entries_of(row)))
    assert {key: pages for key, pages in frozen.items() if pages} == {key: one for key, one in today.items() if one}
    assert changes.own == ()
    _require_balance(waiting)
    _require_balance(taken)


def _add(sums: Sums, entries: Iterable[Entry]) -> None:
    for key, pages, _ in entries:
        sums[key] += pages


def _require_balance(adjustments: list[Adjustment]) -> None:
    balance: Counter[tuple[str, str, str]] = Counter()
    for one in adjustments:
        balance[one.key.printer, one.key.channel, one.key.unit] += one.pages
    assert not any(balance.values()), "the meter gives what accounts get"


@given(SEEDS, KINDS, EDGES)
@settings(max_examples=12, deadline=None)
def test_a_printers_rows_of_a_period_are_those_that_a_close_of_all_freezes(
    seed: int, kind: str, edges: list[int]
) -> None:
    """What is looked at printer by printer is what the close adds up at once."""

    async def look() -> None:
        journal = await begun(seed, kind, 100)
        for period in periods_of(edges):
            whole, one_by_one = Counter[EntryKey](), Counter[EntryKey]()
            async with journal.snapshot() as held:
                async for row in detailed_rows(held, period):
                    _add(whole, entries_of(row))
                for printer in PRINTERS:
                    segments = await held.period_segments(printer, period.from_us, period.to_us)
                    for row in rows_in(period, segments):
                        _add(one_by_one, entries_of(row))
            assert +whole == +one_by_one
            assert -whole == -one_by_one

    asyncio.run(look())
