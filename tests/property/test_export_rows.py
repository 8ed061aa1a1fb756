"""Whatever an export is grouped by, and whatever period it is of: people and house accounts add up to the meters."""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import get_args
from zoneinfo import ZoneInfo

import pytest
from beancount import loader
from beancount.core import realization
from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.accounts.export_rows import ROW_KINDS, ExportBy, ExportRow
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.people import PeopleMerged, PersonNamed
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.exports import Export, export_of
from pagereeve.queries.ledger import rows_of
from pagereeve.reports.beancount import LedgerText
from pagereeve.store.memory.journal import MemoryJournal
from tests.exports import duckdb_says, rows_as_csv
from tests.property.days import DAY_US, PRINTER, make_day

BERLIN = ZoneInfo("Europe/Berlin")
SEEDS = st.integers(0, 2**32)
KINDS = st.sampled_from(["faults", "life", "channels", "wraps", "units"])
EDGES = st.lists(st.integers(0, 400 * SECOND_US), min_size=2, max_size=4, unique=True)
GROUPINGS: tuple[ExportBy, ...] = ("person", "cost-centre", "printer", "day", "release")
PERSONS = ("anise", "basil", "chervil")


def segments_of(seed: int, kind: str, printer: str) -> list[RowSegment]:
    modulus = 1000 if kind == "wraps" else 2**32
    life = kind in {"life", "units"}
    day = make_day(seed, 60, channels=kind == "channels", life=life, modulus=modulus, units=kind == "units")
    return [at_printer(one, printer) for one in rebuild(PRINTER, day.facts, day.open_run)]


def at_printer(segment: RowSegment, printer: str) -> RowSegment:
    legs = {f"meter:{PRINTER}": f"meter:{printer}"}
    return replace(
        segment,
        printer=printer,
        stretches=tuple(replace(one, printer=printer) for one in segment.stretches),
        charges=tuple(replace(one, printer=printer) for one in segment.charges),
        postings=tuple(
            replace(one, printer=printer, legs=tuple((legs.get(name, name), pages) for name, pages in one.legs))
            for one in segment.postings
        ),
        findings=(),
    )


async def journal_of(seed: int, kind: str) -> MemoryJournal:
    journal = MemoryJournal()
    for nth, printer in enumerate(("east", "west")):
        await journal.replace(printer, None, segments_of(seed + nth, kind, printer))
    return journal


def periods_of(edges: list[int]) -> list[Period]:
    """Side by side, from the day before to the day after: the first and the last have a midnight in them."""
    cuts = [DAY_US - 86_400 * SECOND_US, *(DAY_US + at_us for at_us in sorted(edges)), DAY_US + 2 * 86_400 * SECOND_US]
    return [Period("", BERLIN, begins, ends) for begins, ends in pairwise(cuts)]


async def exported(journal: MemoryJournal, period: Period, by: ExportBy) -> tuple[Export, list[ExportRow]]:
    async with journal.snapshot() as held:
        export = await export_of(held, period, by)
        return export, [row async for row in export.rows]


Sums = Counter[tuple[str, str]]


def sums_of(rows: list[ExportRow], *kinds: str) -> Sums:
    sums: Sums = Counter()
    for row in rows:
        if row.kind in kinds:
            sums[row.channel, row.unit] += row.pages
    return sums


def nonzero(sums: Sums) -> dict[tuple[str, str], int]:
    return {key: pages for key, pages in sums.items() if pages}


def counted_in(export: Export) -> Sums:
    """What the meters say, from the accounts alone."""
    sums: Sums = Counter()
    for line in export.accounts.lines:
        shown = (line.meter_end or 0) - (line.meter_start or 0) + line.meter_restarts
        sums[line.channel, line.unit] += shown + line.over_start + line.over_end
    return sums


@given(SEEDS, KINDS, EDGES)
@settings(max_examples=25, deadline=None)
def test_people_and_house_accounts_are_the_meters_in_every_period_and_grouping(
    seed: int, kind: str, edges: list[int]
) -> None:
    async def look() -> None:
        journal = await journal_of(seed, kind)
        for period in periods_of(edges):
            totals: list[dict[tuple[str, str], int]] = []
            for by in GROUPINGS:
                export, rows = await exported(journal, period, by)
                assert export.adding.differences == {}
                assert sums_of(rows, "people", "house") == sums_of(rows, "total")
                assert nonzero(sums_of(rows, "total")) == nonzero(counted_in(export))
                assert [row.kind for row in rows] == sorted((row.kind for row in rows), key=ROW_KINDS.index)
                totals.append(nonzero(sums_of(rows, "people")))
            assert all(one == totals[0] for one in totals), "however it is grouped, people got the same"

    asyncio.run(look())


@given(SEEDS, KINDS, EDGES, st.sampled_from(GROUPINGS))
@settings(max_examples=25, deadline=None)
def test_periods_side_by_side_add_up_to_the_whole(seed: int, kind: str, edges: list[int], by: ExportBy) -> None:
    async def look() -> None:
        journal, periods = await journal_of(seed, kind), periods_of(edges)
        parts: Sums = Counter()
        for period in periods:
            parts.update(sums_of((await exported(journal, period, by))[1], "total"))
        whole = Period("", BERLIN, periods[0].from_us, periods[-1].to_us)
        assert nonzero(parts) == nonzero(sums_of((await exported(journal, whole, by))[1], "total"))

    asyncio.run(look())


SAID = st.lists(
    st.builds(
        PersonNamed,
        at_us=st.integers(0, 400 * SECOND_US).map(lambda us: DAY_US + us) | st.just(0),
        person=st.sampled_from(["p-00000000000a", "p-00000000000b"]),
        word=st.sampled_from(["login", "name", "cost_centre"]),
        text=st.sampled_from(PERSONS),
        known_us=st.integers(0, 3),
        by=st.just("warden"),
    )
    | st.builds(
        PeopleMerged, st.just(9), st.just("p-00000000000a"), st.just("p-00000000000b"), st.just("w"), st.just("r")
    ),
    max_size=8,
)


@given(SEEDS, KINDS, EDGES, SAID)
@settings(max_examples=15, deadline=None)
def test_whoever_is_whose_person_the_rows_add_up_to_the_meters(
    seed: int, kind: str, edges: list[int], said: list[Fact]
) -> None:
    async def look() -> None:
        journal = await journal_of(seed, kind)
        plain = {by: sums_of((await exported(journal, period, by))[1], "people") for period, by in asked(edges)}
        for fact in said:
            await journal.append(fact)
        for period, by in asked(edges):
            export, rows = await exported(journal, period, by)
            assert export.adding.differences == {}
            assert nonzero(sums_of(rows, "people")) == nonzero(plain[by])
            names = [
                (row.figures.person, row.who, row.channel, row.unit)
                for row in rows
                if row.figures and row.kind == "people"
            ]
            assert len(names) == len(set(names)), "one row a person and channel"

    asyncio.run(look())


def asked(edges: list[int]) -> list[tuple[Period, ExportBy]]:
    return [(periods_of(edges)[1], by) for by in ("person", "cost-centre")]


@given(SEEDS, KINDS, EDGES, st.sampled_from(GROUPINGS))
@settings(max_examples=15, deadline=None)
def test_duckdb_comes_to_the_same_totals_from_the_exported_rows(
    tmp_path_factory: pytest.TempPathFactory, seed: int, kind: str, edges: list[int], by: ExportBy
) -> None:
    async def look(file: Path) -> None:
        journal = await journal_of(seed, kind)
        _, rows = await exported(journal, periods_of(edges)[1], by)
        file.write_bytes(rows_as_csv(by, rows))  # noqa: ASYNC240 - nothing else runs
        asked = """
            select coalesce(channel, ''), coalesce(unit, ''), sum(pages) filter (kind <> 'total'),
                   sum(pages) filter (kind = 'total'), sum(charged) filter (kind = 'people'),
                   sum(pages) filter (kind = 'people'), max(charged) filter (kind = 'total')
            from read_csv(?, header = true, types = {'pages': 'bigint', 'charged': 'bigint', 'unit': 'varchar',
                                                     'channel': 'varchar', 'kind': 'varchar'})
            group by all
        """
        found = duckdb_says(asked, file)
        assert {(channel, unit) for channel, unit, *_ in found} == {(row.channel, row.unit) for row in rows}
        for channel, unit, received, counted, charged, people, summed in found:
            assert (received or 0) == counted == sums_of(rows, "total")[channel, unit]
            assert (charged or 0) == (people or 0) == (summed or 0)

    asyncio.run(look(tmp_path_factory.mktemp("rows") / "rows.csv"))


@given(SEEDS, KINDS, EDGES)
@settings(max_examples=10, deadline=None)
def test_beancount_accepts_the_ledger_of_a_period_and_it_holds_what_the_export_says(
    seed: int, kind: str, edges: list[int]
) -> None:
    async def look() -> None:
        journal, period = await journal_of(seed, kind), periods_of(edges)[1]
        _, rows = await exported(journal, period, "person")
        text = LedgerText(BERLIN)
        lines = [*text.beginning()]
        async for page in rows_of(journal, period):
            lines += [text.entry(row) for row in page]
        lines += text.balances()
        entries, errors, _ = loader.load_string("\n".join(lines) + "\n")
        assert errors == []
        theirs: Counter[str] = Counter()
        for account in realization.iter_children(realization.realize(entries), leaf_only=True):
            for position in account.balance.get_positions():
                theirs[account.account.split(":")[1]] += int(position.units.number)
        ours = {kind: sum(row.pages for row in rows if row.kind == kind) for kind in ("people", "house", "total")}
        assert (theirs["People"], theirs["House"], -theirs["Meter"]) == (ours["people"], ours["house"], ours["total"])

    asyncio.run(look())


def test_every_grouping_is_looked_at() -> None:
    assert {name for one in get_args(ExportBy) for name in (get_args(one) or (one,))} == set(GROUPINGS)


async def test_the_days_have_something_in_house_accounts_and_over_edges() -> None:
    """Else the laws above would hold of nothing."""
    house = edges = 0
    for seed in range(8):
        journal = await journal_of(seed, "faults")
        export, rows = await exported(journal, periods_of([80 * SECOND_US, 250 * SECOND_US])[1], "printer")
        house += sum(row.kind == "house" for row in rows)
        edges += len(export.accounts.edges)
    assert house > 8
    assert edges > 4
