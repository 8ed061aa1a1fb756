"""Exports by day: all days of some at once come to what each day alone comes to, by a bounded number of statements."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.accounts.export_rows import ExportRow
from pagereeve.domain.accounts.period_sums import PeriodSums, Span, sums_of
from pagereeve.domain.accounts.periods import Period, instant_of
from pagereeve.domain.ledger import ReleaseKey, RowSegment
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries import day_sums
from pagereeve.queries.exports import export_of
from pagereeve.store.sqlite.journal import SqlJournal
from tests.property.days import DAY_US
from tests.property.test_export_rows import KINDS, SEEDS, at_printer, segments_of
from tests.statement_recorder import COUNT_EVERY, recording
from tests.unit.queries.test_exports import bracket, gap

BERLIN = ZoneInfo("Europe/Berlin")
PRINTERS = ("east", "north", "west")
CUTS = st.lists(st.integers(0, 1_500 * SECOND_US), min_size=2, max_size=9, unique=True)


@dataclass(frozen=True, slots=True)
class Disk:
    """A journal on disk, kept for many examples, on a loop of its own."""

    runner: asyncio.Runner
    journal: SqlJournal

    def sums(self, segments: dict[str, list[RowSegment]], spans: Sequence[Span]) -> Sequence[PeriodSums]:
        async def ask() -> Sequence[PeriodSums]:
            for printer, known in segments.items():
                await self.journal.replace(printer, None, known)
            return await self.journal.sums_of_each(spans)

        return self.runner.run(ask())


@pytest.fixture(scope="module")
def disk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Disk]:
    with asyncio.Runner() as runner:
        path = tmp_path_factory.mktemp("days") / "journal.db"
        journal = runner.run(SqlJournal.open(path, SystemClock()))
        yield Disk(runner, journal)
        runner.run(journal.close())


def without_findings(sums: PeriodSums) -> tuple[object, ...]:
    edges = {(one.printer, one.anchor_us, one.stretches, one.charges, one.postings) for one in sums.edges}
    return sums.by_printer, sums.meters, sums.house, edges


@given(SEEDS, KINDS, CUTS)
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_sums_of_many_spans_at_once_are_those_of_each(disk: Disk, seed: int, kind: str, cuts: list[int]) -> None:
    segments = {printer: segments_of(seed + nth, kind, printer) for nth, printer in enumerate(PRINTERS)}
    spans = list(pairwise(DAY_US + at_us for at_us in sorted(cuts)))
    known = [one for some in segments.values() for one in some]
    found = disk.sums(segments, spans)
    assert [*map(without_findings, found)] == [without_findings(sums_of(known, *span)) for span in spans]


@pytest.mark.parametrize("name", ["r-1", 'r"1', "r\\1", "r%1", "r_1", "R-ä", "r\n1", "r'1"])
def test_a_charge_that_started_after_its_stretch_closed_is_found_whatever_its_name_is(disk: Disk, name: str) -> None:
    """A run that ended has several rows of one bracket, and the last one carries the charges."""
    first, second = (
        bracket("2026-01-01T22:00:00Z", "2026-01-01T22:30:00Z", 10, 4),
        bracket("2026-01-02T09:00:00Z", "2026-01-02T09:30:00Z", 14, 4),
    )
    key = ReleaseKey("/server", name)
    stretches = tuple(replace(one.stretches[0], releases=(key,)) for one in (first, second))
    charge = replace(second.charges[0], release=key)
    postings = (*first.postings, *second.postings)
    segment = at_printer(replace(first, stretches=stretches, charges=(charge,), postings=postings), "east")
    empty: dict[str, list[RowSegment]] = {printer: [] for printer in PRINTERS}
    spans = [(january(1), january(2)), (january(2), january(3)), (january(3), january(4))]
    found = disk.sums(empty | {"east": [segment]}, spans)
    assert [*map(without_findings, found)] == [without_findings(sums_of([segment], *span)) for span in spans]
    assert [len(sums.edges) for sums in found] == [1, 1, 0]


class DayByDay:
    """A journal that answers for each span alone."""

    def __init__(self, journal: SqlJournal) -> None:
        self._journal = journal

    async def sums_of_each(self, spans: Sequence[Span]) -> Sequence[PeriodSums]:
        return [await self._journal.period_sums(*span) for span in spans]


def segments_at(printer: str, days: int) -> list[RowSegment]:
    """A release over each midnight of Berlin's, and stray pages at noon."""
    found: list[RowSegment] = []
    for nth in range(1, days + 1):
        found += [
            gap(f"2026-01-{nth:02}T11:00:00Z", f"2026-01-{nth:02}T12:00:00Z", 10 * nth, 10 * nth + 3),
            bracket(f"2026-01-{nth:02}T22:59:00Z", f"2026-01-{nth:02}T23:01:00Z", 10 * nth + 3, 7),
        ]
    return [at_printer(one, printer) for one in found]


async def filled(path: Path, printers: int, days: int) -> SqlJournal:
    journal = await SqlJournal.open(path, SystemClock())
    for nth in range(printers):
        await journal.replace(f"printer-{nth:02}", None, segments_at(f"printer-{nth:02}", days))
    return journal


async def rows_by_day(journal: SqlJournal, days: int) -> list[ExportRow]:
    whole = Period("january", BERLIN, january(1), january(days + 1))
    async with journal.snapshot() as held:
        export = await export_of(held, whole, "day")
        rows = [row async for row in export.rows]
    assert export.adding.differences == {}
    return rows


def january(day: int) -> int:
    return instant_of(f"2026-01-{day:02}", BERLIN, "--from")


@pytest.fixture
async def few(tmp_path: Path) -> AsyncIterator[SqlJournal]:
    journal = await filled(tmp_path / "few.db", 2, 24)
    yield journal
    await journal.close()


@pytest.fixture
async def many(tmp_path: Path) -> AsyncIterator[SqlJournal]:
    journal = await filled(tmp_path / "many.db", 10, 24)
    yield journal
    await journal.close()


async def test_the_statements_do_not_grow_with_printers_and_few_days_more_cost_nothing(
    few: SqlJournal, many: SqlJournal
) -> None:
    counts: dict[tuple[str, int], int] = {}
    for name, journal in (("few", few), ("many", many)):
        for days in (8, 16, 24):
            with recording(journal._path) as recorder:
                rows = await rows_by_day(journal, days)
            assert len(rows) == 2 * days + 1
            counts[name, days] = len(recorder.issued)
    assert [counts["few", days] for days in (8, 16, 24)] == [counts["many", days] for days in (8, 16, 24)]
    each = counts["many", 16] - counts["many", 8]
    assert counts["many", 24] - counts["many", 16] == each
    assert each <= 16, "for eight days more, whatever the printers are"


async def test_the_rows_by_day_are_those_of_each_day_asked_for_alone(many: SqlJournal) -> None:
    assert day_sums.DAYS_AT_ONCE < 24
    days = Period("", BERLIN, january(1), january(25)).days()
    at_once = [pair async for pair in day_sums.sums_by_day(many, days)]
    alone = [pair async for pair in day_sums.sums_by_day(DayByDay(many), days)]  # type: ignore[arg-type]
    assert at_once == alone
    assert all(sums.edges for _, sums in at_once)


async def test_no_statement_of_a_late_day_looks_at_the_days_before(many: SqlJournal) -> None:
    steps = []
    for day in (2, 23):
        with recording(many._path) as recorder:
            await many.sums_of_each([(january(day), january(day + 1))])
        steps.append([one.steps for one in recorder.issued])
    assert len(steps[0]) == len(steps[1]) > 8
    for early, late in zip(*steps, strict=True):
        assert late <= 2 * early + COUNT_EVERY
