"""What ports.reads promises of sums, pages and snapshots, of the store in memory and of the one in SQLite alike."""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Protocol
from zoneinfo import ZoneInfo

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.accounts.period_sums import PeriodSums, charge_totals, edge_segments, sums_of
from pagereeve.domain.accounts.periods import ALWAYS_US, Period
from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.ledger import Finding, RowSegment
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.findings import FindingFilter, dearness
from pagereeve.ports.reads import Reads
from pagereeve.ports.store import Store
from pagereeve.queries.findings import findings_of
from pagereeve.queries.ledger import rows_of
from pagereeve.queries.totals import totals_of
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from tests.journal_samples import NOON_US, failed, read, started
from tests.property.days import DAY_US, PRINTER, make_day
from tests.unit.queries.test_queries import EDGES, FINDINGS, PERIODS, segments_of

UTC = ZoneInfo("UTC")
ALWAYS = Period("always", UTC, 0, ALWAYS_US)


class Both(Store, Reads, Protocol):
    """The whole store, and what people ask of it."""


def as_sets(sums: PeriodSums) -> tuple[object, ...]:
    return (
        sums.by_printer,
        set(sums.meters),
        set(sums.house),
        {(one.printer, one.anchor_us) for one in sums.edges},
    )


async def fill(store: Store, seeds: tuple[int, ...]) -> list[RowSegment]:
    known: list[RowSegment] = []
    for seed in seeds:
        segments = segments_of(seed, f"printer-{seed}")
        await store.replace(f"printer-{seed}", None, segments)
        known += segments
    return known


@pytest.mark.parametrize("seeds", [(1, 2, 3), (21, 22), (31,), ()])
async def test_the_sums_of_a_period_are_those_of_its_rows(store: Both, seeds: tuple[int, ...]) -> None:
    known = await fill(store, seeds)
    for period in (ALWAYS, *PERIODS):
        from_us, to_us = period.from_us, period.to_us
        assert as_sets(await store.period_sums(from_us, to_us)) == as_sets(sums_of(known, from_us, to_us))
        for by in ("person", "printer"):
            assert list(await store.charge_totals(by, from_us, to_us)) == charge_totals(by, known, from_us, to_us)
        edges = {(one.printer, one.anchor_us): one for one in await store.edge_segments(from_us, to_us)}
        expected = {(one.printer, one.anchor_us): one for one in edge_segments(known, from_us, to_us)}
        assert edges.keys() == expected.keys()
        assert all(edges[place].charges == expected[place].charges for place in edges)


@pytest.mark.parametrize("seed", range(40, 46))
async def test_runs_that_end_channels_that_come_and_go_and_wraps_are_summed_alike(store: Both, seed: int) -> None:
    modulus = 1000 if seed % 3 == 0 else 2**32
    day = make_day(seed, 80, channels=True, life=seed % 2 == 0, modulus=modulus, units=seed % 2 == 0)
    segments = rebuild(PRINTER, day.facts, day.open_run)
    await store.replace(PRINTER, None, segments)
    for period in (ALWAYS, *PERIODS):
        sums = await store.period_sums(period.from_us, period.to_us)
        assert as_sets(sums) == as_sets(sums_of(segments, period.from_us, period.to_us))
        assert (await totals_of(store, period, "printer")).conserved


@pytest.mark.parametrize(
    "wanted",
    [
        FindingFilter(),
        FindingFilter(state="open"),
        FindingFilter(kind="surplus", printer=PRINTER),
        FindingFilter(from_us=NOON_US + 2 * SECOND_US, to_us=NOON_US + 5 * SECOND_US),
        FindingFilter(printer="nowhere"),
        FindingFilter(state="open", severity="warning"),
    ],
)
async def test_findings_are_filtered_counted_and_paged_alike(store: Both, wanted: FindingFilter) -> None:
    for printer in (PRINTER, "hall"):
        mine = tuple(one for one in FINDINGS if one.printer == printer)
        await store.replace(printer, None, [RowSegment(printer, 1, None, findings=mine)])
    memory = MemoryJournal()
    for printer in (PRINTER, "hall"):
        await memory.replace(printer, None, await store.segments(printer))
    for limit in (1, 2, 5, 100):
        after = theirs_after = None
        while True:
            page = await findings_of(store, wanted, limit, after)
            theirs = await findings_of(memory, wanted, limit, theirs_after)
            assert page == theirs
            after, theirs_after = page.after, theirs.after
            if after is None:
                break


async def test_findings_about_the_most_pages_come_first_in_either_store(store: Both) -> None:
    figures = (None, -7, 3, 7, 0, 3)
    known = tuple(
        replace(one, id=f"f-{nth}", pages=pages)
        for one in FINDINGS
        for nth, pages in enumerate(figures)
        if one.printer == PRINTER
    )
    memory = MemoryJournal()
    for each in (store, memory):
        await each.replace(PRINTER, None, [RowSegment(PRINTER, 1, None, findings=known)])
    for wanted in (FindingFilter(), FindingFilter(state="open"), FindingFilter(printer="nowhere")):
        seen: list[Finding] = []
        after = None
        while True:
            page = await store.dearest_findings(wanted, 4, after)
            assert page == await memory.dearest_findings(wanted, 4, after)
            seen, after = [*seen, *page.findings], page.after
            if after is None:
                break
        assert seen == sorted((one for one in known if wanted.holds(one)), key=dearness)


async def test_a_page_of_findings_begins_in_the_midst_of_equal_ones(store: Both) -> None:
    alike = [replace(FINDINGS[0], id="f-same") for _ in range(5)]
    await store.replace(PRINTER, None, [RowSegment(PRINTER, 1, None, findings=tuple(alike))])
    seen, after = 0, None
    while True:
        page = await findings_of(store, FindingFilter(), 2, after)
        seen, after = seen + len(page.findings), page.after
        if after is None:
            break
    assert seen == len(alike)


async def test_the_last_good_reading_before_a_silence(store: Both) -> None:
    assert await store.last_read("printer-a") is None
    first, second = read(5), read(6, at_us=NOON_US + SECOND_US)
    await store.observe("printer-a", [first, second], failed(at_us=NOON_US + 60 * SECOND_US))
    last = await store.last_read("printer-a")
    assert isinstance(last, PlateauRead)
    assert last.plateau.sight == second.plateau.sight


async def test_a_snapshot_sees_nothing_of_what_is_written_meanwhile(store: Both) -> None:
    """Facts, open runs, rows and findings; before, between and after the first read."""
    await store.replace(PRINTER, None, segments_of(51, PRINTER))
    await store.append(started("a"))
    await store.observe("printer-a", [], read(5))
    async with store.snapshot() as held:
        before = await held.period_sums(0, ALWAYS_US)
        await store.replace(PRINTER, None, segments_of(52, PRINTER))
        await store.append(started("b"))
        await store.observe("printer-a", [read(5)], read(6, at_us=NOON_US + SECOND_US))
        assert as_sets(await held.period_sums(0, ALWAYS_US)) == as_sets(before)
        assert len([one async for one in held.facts("printer-a")]) == 1
        run = await held.open_run("printer-a")
        assert run is not None
        assert run.fact == read(5)
    assert as_sets(await store.period_sums(0, ALWAYS_US)) != as_sets(before)
    assert len([one async for one in store.facts("printer-a")]) == 3


async def test_an_answer_asked_for_while_rows_change_is_wholly_of_before_or_wholly_of_after(store: Both) -> None:
    """A writer swaps two ledgers as fast as it can; every answer equals one or the other."""
    ledgers = [segments_of(53, PRINTER), segments_of(54, PRINTER)]
    answers = []
    for ledger in ledgers:
        await store.replace(PRINTER, None, ledger)
        answers.append(await totals_of(store, ALWAYS, "printer"))
    assert answers[0] != answers[1]
    done = asyncio.Event()

    async def swap() -> int:
        swaps = 0
        while not done.is_set():
            await store.replace(PRINTER, None, ledgers[swaps % 2])
            swaps += 1
            await asyncio.sleep(0)
        return swaps

    writer = asyncio.create_task(swap())
    try:
        seen = []
        for _ in range(20):
            seen.append(await totals_of(store, ALWAYS, "printer"))
            await asyncio.sleep(0)
    finally:
        done.set()
    assert await writer > 0
    assert all(answer in answers for answer in seen)


async def test_a_file_that_is_read_beside_the_daemon_gives_answers_of_one_moment_too(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    journal = await SqlJournal.open(path, SystemClock())
    try:
        await journal.replace(PRINTER, None, segments_of(55, PRINTER))
        async with await SqlReads.open_for_reading(path) as reads, reads.snapshot() as held:
            before = await totals_of(held, ALWAYS, "printer")
            await journal.replace(PRINTER, None, segments_of(56, PRINTER))
            assert await totals_of(held, ALWAYS, "printer") == before
            assert await totals_of(reads, ALWAYS, "printer") != before
    finally:
        await journal.close()


async def test_entries_of_the_ledger_are_alike(store: Both) -> None:
    await fill(store, (61, 62))
    memory = MemoryJournal()
    for seed in (61, 62):
        await memory.replace(f"printer-{seed}", None, segments_of(seed, f"printer-{seed}"))
    for period in PERIODS:
        mine = Counter([row async for page in rows_of(store, period) for row in page])
        assert mine == Counter([row async for page in rows_of(memory, period) for row in page])
    assert EDGES[1] > DAY_US
