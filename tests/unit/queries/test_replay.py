"""Rows compared with what follows from the facts: equal, behind or different; and in one pass."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import pytest

from pagereeve.app.replay import replay_store
from pagereeve.domain.ledger import Charge, RowSegment
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, rebuild
from pagereeve.queries.replay import EXAMPLES_MAX, differences, replayed_printer
from pagereeve.queries.rows_behind import PROJECTIONS_MAX
from pagereeve.store.memory.journal import MemoryJournal
from tests.journal_samples import charge, key
from tests.property.days import PRINTER, Day, make_day

ROWS = 20_000


async def journal_of(day: Day, facts: int | None = None) -> MemoryJournal:
    """Holds the day's facts, and the rows of the first ``facts`` of them (None: of all)."""
    journal = MemoryJournal()
    for fact in day.facts:
        await journal.append(fact)
    if day.open_run is not None:
        await journal.observe(PRINTER, [], day.open_run)
    stored = [one.fact async for one in journal.facts(PRINTER)]
    await journal.replace(PRINTER, None, rebuild(PRINTER, stored[:facts], day.open_run if facts is None else None))
    return journal


@pytest.mark.parametrize("seed", range(6))
async def test_rows_of_all_facts_neither_differ_nor_are_behind(seed: int) -> None:
    one = await replayed_printer(await journal_of(make_day(seed)), PRINTER)
    assert (one.differing, one.behind) == ((), False)


@pytest.mark.parametrize("seed", range(6))
async def test_rows_that_lack_the_latest_facts_are_behind_and_do_not_differ(seed: int) -> None:
    day, seen = make_day(seed, 60), False
    for missing in (1, 2, 3, 5):
        one = await replayed_printer(await journal_of(day, -missing), PRINTER)
        assert one.differing == ()
        seen = seen or one.behind
    assert seen


@pytest.fixture
def projections(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """One entry for each projection of open rows."""
    made: list[str] = []
    reopened = PrinterProjector.reopened

    def counted(printer: str, *given: Any) -> PrinterProjector:
        made.append(printer)
        return reopened(printer, *given)

    monkeypatch.setattr(PrinterProjector, "reopened", counted)
    return made


@pytest.mark.parametrize("missing", [1, 2, 3, 5, 8, 13])
async def test_how_many_facts_are_missing_is_found_by_few_projections(missing: int, projections: list[str]) -> None:
    for seed in (1, 2, 8, 9):
        one = await replayed_printer(await journal_of(make_day(seed, 60), -missing), PRINTER)
        assert one.differing == ()
        assert len(projections) <= PROJECTIONS_MAX
        projections.clear()


async def test_that_a_row_differs_is_found_by_few_projections(projections: list[str]) -> None:
    journal = await journal_of(make_day(3, 60))
    stood = list(await journal.segments(PRINTER))
    last = max(index for index, one in enumerate(stood) if one.charges)
    stood[last] = moved(stood[last])
    await journal.replace(PRINTER, None, stood)
    one = await replayed_printer(journal, PRINTER)
    assert one.differing
    assert len(projections) <= PROJECTIONS_MAX


async def test_rows_of_another_version_are_behind() -> None:
    journal = await journal_of(make_day(3, 60))
    stood = [
        replace(one, resume_point=None if one.resume_point is None else {**one.resume_point, "version": 1}, charges=())
        for one in await journal.segments(PRINTER)
    ]
    assert any(one.resume_point for one in stood)
    await journal.replace(PRINTER, None, stood)
    one = await replayed_printer(journal, PRINTER)
    assert (one.differing, one.behind) == ((), True)


def moved(segment: RowSegment) -> RowSegment:
    return replace(segment, charges=tuple(replace(one, charged=one.charged + 1) for one in segment.charges))


@pytest.mark.parametrize("which", [0, -1])
async def test_a_row_that_no_facts_give_differs_wherever_it_stands(which: int) -> None:
    journal = await journal_of(make_day(3, 60))
    stood = list(await journal.segments(PRINTER))
    with_charges = [index for index, one in enumerate(stood) if one.charges]
    stood[with_charges[which]] = moved(stood[with_charges[which]])
    await journal.replace(PRINTER, None, stood)
    one = await replayed_printer(journal, PRINTER)
    assert not one.behind
    assert any("only in the tables: charge" in line for line in one.differing)
    report = await replay_store(journal, store=True)
    assert report.differing == list(one.differing)
    assert (await replay_store(journal, store=False)).differing == []


def many(rows: int) -> list[Charge]:
    return [charge(PRINTER, key(1), number) for number in range(rows)]


def test_many_rows_are_compared_in_one_pass() -> None:
    """Row by row against a list this takes more than a minute."""
    stood, came = Ledger(charges=many(ROWS)), Ledger(charges=[*many(ROWS), charge(PRINTER, key(1), -1)])
    began = time.process_time()
    (line,) = differences("p", stood, came)
    assert time.process_time() - began < 4
    assert line.startswith("p: only in the replay: charge Charge(")


def test_a_row_that_stands_twice_differs_from_one_and_examples_are_few() -> None:
    assert differences("p", Ledger(charges=many(1) * 2), Ledger(charges=many(1))) != ()
    lines = differences("p", Ledger(charges=many(EXAMPLES_MAX + 5)), Ledger())
    assert (len(lines), lines[-1]) == (EXAMPLES_MAX + 1, "p: and 5 more")
