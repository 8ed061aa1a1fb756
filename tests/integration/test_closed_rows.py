"""What is closed can't be changed on any path: the database refuses it, and what was frozen is read as it was."""

from __future__ import annotations

import sqlite3
from collections.abc import AsyncIterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.accounts.frozen import (
    FrozenCharge,
    FrozenEdge,
    FrozenHead,
    FrozenHouse,
    FrozenLine,
    FrozenRow,
)
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import EdgeStretch, PrinterAccounts
from pagereeve.domain.facts.closed import PeriodClosed
from pagereeve.ports.closing import Closing, NotClosed
from pagereeve.queries.closed_periods import closed_as
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.records.frozen_rows import PART_ROWS
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import NOON_US, charge, key, started, stretch

PRINTER = "printer-a"
CLOSING = Closing("autumn", "UTC", "2026a", NOON_US, NOON_US + 100, NOON_US + 200, "bursar", "", "j-1", 3, "ab", 7)
ROWS: list[FrozenRow] = [
    FrozenHead("", 2),
    FrozenLine(PrinterAccounts(PRINTER, "total", "impressions", 100, None, 3, -1, 2, pages_waiting=None)),
    FrozenEdge(EdgeStretch(stretch(PRINTER, NOON_US, NOON_US + 1, key(1)), 2)),
    FrozenHouse("2026-01-01", PRINTER, "total", "impressions", "house:stray", 3),
    *(FrozenCharge(charge(PRINTER, key(number), NOON_US), "00042", "2026-01-01") for number in range(PART_ROWS)),
]


async def given(rows: list[FrozenRow]) -> AsyncIterator[FrozenRow]:
    for row in rows:
        yield row


@pytest.fixture(params=["sqlite", "memory"])
async def store(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[SqlJournal | MemoryJournal]:
    if request.param == "memory":
        yield MemoryJournal()
        return
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    yield journal
    await journal.close()


async def test_frozen_rows_are_read_as_they_were_and_the_fact_says_so(store: SqlJournal | MemoryJournal) -> None:
    closed = await store.close_period(CLOSING, given(ROWS))
    assert [row async for row in store.frozen_rows(closed)] == ROWS
    assert list(await store.closed_periods()) == [closed]
    [fact] = [stored.fact async for stored in store.facts("")]
    assert isinstance(fact, PeriodClosed)
    assert (fact.name, fact.rows, fact.sha256, fact.by) == ("autumn", len(ROWS), closed.sha256, "bursar")


@pytest.mark.parametrize(
    "again",
    [
        CLOSING,
        replace(CLOSING, from_us=NOON_US + 100, to_us=NOON_US + 200),
        replace(CLOSING, name="winter", from_us=NOON_US + 99, to_us=NOON_US + 200),
    ],
)
async def test_what_is_closed_is_not_closed_again(store: SqlJournal | MemoryJournal, again: Closing) -> None:
    closed = await store.close_period(CLOSING, given(ROWS[:2]))
    with pytest.raises(NotClosed, match="autumn is closed already"):
        await store.close_period(again, given(ROWS))
    assert list(await store.closed_periods()) == [closed]
    assert len([stored async for stored in store.facts("")]) == 1
    await store.close_period(replace(CLOSING, name="next", from_us=NOON_US + 100, to_us=NOON_US + 200), given([]))


CHANGES = [
    "UPDATE closed_period SET sha256 = 'x'",
    "UPDATE closed_period SET erased_sha256 = 'x'",
    "UPDATE closed_period SET touched = 99",
    "UPDATE OR REPLACE closed_period SET name = 'other'",
    "UPDATE closed_part SET body = x'00'",
    "UPDATE closed_part SET number = number + 10",
    "DELETE FROM closed_period",
    "DELETE FROM closed_part",
    "INSERT INTO closed_part VALUES ('autumn', 99, x'00')",
    "INSERT OR REPLACE INTO closed_part VALUES ('autumn', 0, x'00')",
    "INSERT OR REPLACE INTO closed_period SELECT * FROM closed_period",
    (
        "INSERT INTO closed_period SELECT 'x', zone, zone_database, from_us + 1, to_us + 1, closed_us, closed_by, "
        "reason, version, journal, size, head, frozen_rows, sha256, erased_sha256, touched FROM closed_period"
    ),
]


@pytest.fixture
async def closed_journal(tmp_path: Path) -> Path:
    path = tmp_path / JOURNAL_NAME
    journal = await SqlJournal.open(path, SystemClock())
    await journal.append(started("s-1"))
    await journal.close_period(CLOSING, given(ROWS))
    await journal.close()
    return path


async def test_the_database_refuses_every_change_of_frozen_rows(closed_journal: Path) -> None:
    def all_rows() -> list[object]:
        tables = ("closed_period", "closed_part")
        return [connection.execute(f"SELECT * FROM {table}").fetchall() for table in tables]

    with closing(sqlite3.connect(closed_journal)) as connection:
        before = all_rows()
        for statement in CHANGES:
            with pytest.raises(sqlite3.IntegrityError, match=r"never|not closed again"):
                connection.execute(statement)
            connection.rollback()
        assert all_rows() == before


async def test_rows_that_were_changed_past_the_guard_are_not_given_out_as_the_frozen_ones(closed_journal: Path) -> None:
    with closing(sqlite3.connect(closed_journal)) as connection:
        connection.execute("DROP TRIGGER closed_part_no_delete")
        connection.execute("DELETE FROM closed_part WHERE number = 1")
        connection.commit()
    journal = await SqlJournal.open(closed_journal, SystemClock())
    try:
        [closed] = await journal.closed_periods()
        with pytest.raises(NotClosed, match="not those that were frozen"):
            [row async for row in journal.frozen_rows(closed)]
    finally:
        await journal.close()


@pytest.mark.parametrize("column", ["sha256", "erased_sha256", "closed_us"])
async def test_a_row_that_says_something_else_than_the_sealed_fact_is_not_believed(
    closed_journal: Path, column: str
) -> None:
    with closing(sqlite3.connect(closed_journal)) as connection:
        for name in ("closed_period_no_update", "closed_period_erased"):
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(f"UPDATE closed_period SET {column} = '7'")
        connection.commit()
    journal = await SqlJournal.open(closed_journal, SystemClock())
    try:
        asked = Period("autumn", ZoneInfo("UTC"), NOON_US, NOON_US + 100)
        if column == "closed_us":
            assert await closed_as(journal, asked) is not None, "a fact may get another date"
            return
        with pytest.raises(NotClosed, match="not closed as the fact of its close says"):
            await closed_as(journal, asked)
    finally:
        await journal.close()
