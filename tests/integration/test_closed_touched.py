"""The database notes whose closed rows were written: what it does not note costs nothing, and can't be taken back."""

from __future__ import annotations

import sqlite3
from collections.abc import AsyncIterator, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine, event

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.accounts.frozen import FrozenHead, FrozenRow
from pagereeve.domain.projection.resume_point import PROJECTION_VERSION
from pagereeve.ports.closing import ClosedPeriod, Closing
from pagereeve.queries.adjustments import changes_to, outstanding
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import NOON_US, SECOND_US, badge, segment

Store = SqlJournal | MemoryJournal
TO_US = NOON_US + 3_600 * SECOND_US


async def one_row() -> AsyncIterator[FrozenRow]:
    yield FrozenHead("", 1)


async def close(store: Store, name: str, from_us: int, to_us: int, touched: int = 0) -> ClosedPeriod:
    said = Closing(name, "UTC", "2026a", from_us, to_us, to_us, "bursar", "", "j-1", 3, "ab", PROJECTION_VERSION)
    return await store.close_period(said, one_row(), touched)


@pytest.fixture(params=["sqlite", "memory"])
async def store(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Store]:
    if request.param == "memory":
        yield MemoryJournal()
        return
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    yield journal
    await journal.close()


async def noted(store: Store) -> list[tuple[str, str]]:
    return sorted((one.period, one.printer) for one in await store.closed_touched())


async def test_rows_that_come_or_go_are_noted_for_the_period_that_they_belong_to(store: Store) -> None:
    for printer in ("a", "b"):
        await store.replace(printer, None, [segment(printer, 0), segment(printer, 1), segment(printer, 2)])
    edges = [segment("a", number).anchor_us for number in range(3)]
    await close(store, "first", 1, edges[1])
    await close(store, "second", edges[1], edges[2])
    assert await noted(store) == []
    await store.replace("a", edges[2], [segment("a", 2)])
    assert await noted(store) == [], "that is later than what is closed"
    await store.replace("a", edges[1], [segment("a", 1), segment("a", 2)])
    assert await noted(store) == [("second", "a")]
    await store.replace("b", None, [])
    assert await noted(store) == [("first", "b"), ("second", "a"), ("second", "b")]


async def test_a_close_takes_what_its_rows_hold_and_what_came_meanwhile_stays(store: Store) -> None:
    await close(store, "first", 1, TO_US)
    await store.replace("a", None, [segment("a", 0)])
    await store.replace("b", None, [segment("b", 0)])
    seen = max(one.number for one in await store.closed_touched())
    await store.replace("a", None, [segment("a", 1)])
    await close(store, "second", TO_US, TO_US + 1, seen)
    assert await noted(store) == [("first", "a")]
    [one] = await store.closed_touched()
    assert one.number > seen, "numbers only grow"
    await close(store, "third", TO_US + 1, TO_US + 2, one.number)
    await store.replace("b", None, [segment("b", 1)])
    assert [note.number > one.number for note in await store.closed_touched()] == [True]


CHANGES = [
    "DELETE FROM closed_touched",
    "DELETE FROM closed_touched WHERE printer = 'a'",
    "UPDATE closed_touched SET number = 0",
    "UPDATE closed_touched SET printer = 'other', number = number + 1",
    "UPDATE OR REPLACE closed_touched SET period = 'other', number = number + 1",
    "UPDATE closed_period SET touched = 1000",
]


async def test_the_database_refuses_to_forget_what_changed(tmp_path: Path) -> None:
    path = tmp_path / JOURNAL_NAME
    journal = await SqlJournal.open(path, SystemClock())
    await close(journal, "first", 1, TO_US)
    await journal.replace("a", None, [segment("a", 0)])
    await journal.close()
    with closing(sqlite3.connect(path)) as connection:
        before = connection.execute("SELECT * FROM closed_touched").fetchall()
        assert [row[:2] for row in before] == [("first", "a")]
        for statement in CHANGES:
            with pytest.raises(sqlite3.IntegrityError, match="never"):
                connection.execute(statement)
            connection.rollback()
        assert connection.execute("SELECT * FROM closed_touched").fetchall() == before


@contextmanager
def statements() -> Iterator[list[str]]:
    said: list[str] = []

    def note(connection: object, cursor: object, statement: str, *rest: object) -> None:
        said.append(statement)

    event.listen(Engine, "before_cursor_execute", note)
    try:
        yield said
    finally:
        event.remove(Engine, "before_cursor_execute", note)


@pytest.mark.parametrize("printers", [2, 40])
async def test_a_closed_period_that_nothing_touched_costs_nothing_per_printer(tmp_path: Path, printers: int) -> None:
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    try:
        await journal.append(badge("b-1", "printer-0"))
        for nth in range(printers):
            await journal.replace(f"printer-{nth}", None, [segment(f"printer-{nth}", 0)])
        for nth in range(3):
            await close(journal, f"p{nth}", 1 if nth == 0 else TO_US + nth - 1, TO_US + nth)
        with statements() as said:
            assert await outstanding(journal) == []
            assert [one.outstanding for one in await changes_to(journal)] == [()] * 3
        assert len([one for one in said if one.startswith("SELECT")]) == 4, "what is closed, and what is noted"
        assert not any(table in one for one in said for table in ("closed_part", "charge", "stretch", "fact"))
        await journal.replace("printer-1", None, [segment("printer-1", 1)])
        with statements() as said:
            assert [one.adjustment.key.printer for one in await outstanding(journal)] != []
        # Of the one printer alone, however many there are.
        assert len([one for one in said if "FROM charge" in one]) <= 3
    finally:
        await journal.close()
