"""A begin, a statement or a COMMIT that fails in SQLite leaves no transaction behind, whatever SQLite did of itself."""

from __future__ import annotations

import asyncio
import resource
import sqlite3
from collections.abc import AsyncIterator, Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any, ClassVar

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.ports.journal import JournalUnavailable, Receipt
from pagereeve.queries.verify import verify
from pagereeve.store.errors import Unstorable
from pagereeve.store.sqlite.connections import READERS, WriterThread
from pagereeve.store.sqlite.files import wal_path
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import badge, started

# A foreign key that is looked at by COMMIT alone: it is refused, and the transaction stays open
# (sqlite.org/foreignkeys.html, section 4.2).
TRAP = (
    "CREATE TEMP TABLE whole (id INTEGER PRIMARY KEY)",
    "CREATE TEMP TABLE part (whole INTEGER REFERENCES whole (id) DEFERRABLE INITIALLY DEFERRED)",
    "CREATE TEMP TRIGGER one AFTER INSERT ON fact WHEN NEW.event_id LIKE 'ref%' BEGIN INSERT INTO part VALUES (1); END",
)


class Faulty(sqlite3.Connection):
    """The driver's connection, with errors where a test wants them: by what is done, the errors to come."""

    errors: ClassVar[dict[str, list[str]]] = {}

    def _fail(self, what: str, code: int) -> None:
        waiting = self.errors.get(what)
        if waiting:
            error = sqlite3.OperationalError(waiting.pop(0))
            error.sqlite_errorcode = code
            raise error

    def commit(self) -> None:
        self._fail("commit", sqlite3.SQLITE_BUSY)
        super().commit()

    def rollback(self) -> None:
        self._fail("rollback", sqlite3.SQLITE_IOERR)
        super().rollback()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.db"


@pytest.fixture
def errors(monkeypatch: pytest.MonkeyPatch) -> dict[str, list[str]]:
    Faulty.errors.clear()
    monkeypatch.setattr(sqlite3, "connect", partial(sqlite3.connect, factory=Faulty))
    return Faulty.errors


@pytest.fixture
async def journal(path: Path, errors: dict[str, list[str]]) -> AsyncIterator[SqlJournal]:
    journal = await SqlJournal.open(path, SystemClock())
    yield journal
    errors.clear()
    await journal.close()


async def said(journal: SqlJournal, *names: str) -> list[str]:
    """What becomes of badges of these names, sent at once: an outcome, or the error's class."""
    sent = await asyncio.gather(*(journal.append(badge(name)) for name in names), return_exceptions=True)
    return [one.outcome if isinstance(one, Receipt) else type(one).__name__ for one in sent]


async def is_open(journal: SqlJournal) -> bool:
    return await journal._thread._on_thread(lambda: journal._thread._raw.in_transaction)


async def stored(journal: SqlJournal, path: Path) -> list[str]:
    """Names of what is stored, as numbered; each once, sealed, and durable for everybody else."""
    statement = "SELECT seq, event_id FROM fact ORDER BY rowid"
    with closing(sqlite3.connect(path)) as other:
        rows = other.execute(statement).fetchall()
    assert [seq for seq, _ in rows] == list(range(1, len(rows) + 1))
    assert (await verify(journal)).is_good
    return [name for _, name in rows]


def put_aside(path: Path, away: Path) -> None:
    """Another file of the same content takes its place."""
    path.rename(away)
    path.write_bytes(away.read_bytes())


async def ask_nowhere(journal: SqlJournal) -> None:
    """A read that fails once its snapshot has begun."""
    async with journal._reader.snapshot() as connection:
        await connection.exec_driver_sql("SELECT * FROM fact")
        await connection.exec_driver_sql("SELECT * FROM nowhere")


@contextmanager
def full_at(size_bytes: int) -> Iterator[None]:
    """No file of ours grows beyond it: the write itself fails (setrlimit(2), RLIMIT_FSIZE)."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


async def test_a_commit_that_is_refused_takes_no_other_with_it(journal: SqlJournal, path: Path) -> None:
    for statement in TRAP:
        await journal._thread.run_raw(lambda raw, text=statement: raw.execute(text))  # type: ignore[misc]
    assert await said(journal, "one") == ["stored"]
    assert await said(journal, "refused-1") == [Unstorable.__name__]
    assert not await is_open(journal)
    assert await said(journal, "two") == ["stored"]
    mixed = await said(journal, "three", "refused-2", "four", "refused-1", "five")
    assert mixed == ["stored", "Unstorable", "stored", "Unstorable", "stored"]
    assert journal.health().hindrance is None
    assert await stored(journal, path) == ["one", "two", "three", "four", "five"]


async def test_a_commit_that_fails_leaves_nothing_to_the_next(
    journal: SqlJournal, path: Path, errors: dict[str, list[str]]
) -> None:
    """As for SQLITE_BUSY: the transaction stays open (sqlite.org/rescode.html)."""
    assert await said(journal, "one") == ["stored"]
    errors["commit"] = ["database is locked"]
    assert await said(journal, "two", "three") == ["JournalUnavailable", "JournalUnavailable"]
    assert journal.health().hindrance == "busy"
    assert not await is_open(journal)
    assert await said(journal, "four") == ["stored"]
    assert journal.health().hindrance is None
    assert await said(journal, "two", "three", "four") == ["stored", "stored", "duplicate"]
    assert await stored(journal, path) == ["one", "four", "two", "three"]


async def test_the_lock_is_let_go_after_a_commit_that_failed(
    journal: SqlJournal, path: Path, errors: dict[str, list[str]]
) -> None:
    errors["commit"] = ["database is locked"]
    assert await said(journal, "one") == ["JournalUnavailable"]
    with closing(sqlite3.connect(path, isolation_level=None, timeout=0)) as other:
        other.execute("BEGIN IMMEDIATE")
        other.execute("ROLLBACK")


async def test_a_connection_that_cant_be_rolled_back_is_given_up(
    journal: SqlJournal, path: Path, errors: dict[str, list[str]]
) -> None:
    assert await said(journal, "one") == ["stored"]
    given_up = journal._thread._raw
    wal = wal_path(path).stat().st_ino
    errors["commit"], errors["rollback"] = ["disk I/O error"], ["disk I/O error"] * 9
    assert await said(journal, "two") == ["JournalUnavailable"]
    errors.clear()
    assert journal._thread._raw is not given_up
    with pytest.raises(sqlite3.ProgrammingError):
        given_up.execute("SELECT 1")
    assert not await is_open(journal)
    # The write-ahead file is the same: the new connection was there before the old one went.
    assert (wal_path(path).stat().st_ino, journal.trouble().startswith("disk")) == (wal, False)
    assert await said(journal, "three", "two") == ["stored", "stored"]
    assert await journal.look() == ""
    synchronous = await journal._thread.run_raw(lambda raw: raw.execute("PRAGMA synchronous").fetchone())
    assert synchronous == (2,)
    assert await stored(journal, path) == ["one", "three", "two"]


async def test_no_other_file_is_opened_in_the_place_of_ours(
    journal: SqlJournal, path: Path, errors: dict[str, list[str]]
) -> None:
    assert await said(journal, "one") == ["stored"]
    away = path.with_name("away.db")
    put_aside(path, away)
    errors["commit"], errors["rollback"] = ["disk I/O error"], ["disk I/O error"] * 9
    assert await said(journal, "two") == ["JournalUnavailable"]
    assert await said(journal, "two") == ["JournalUnavailable"]
    assert journal.health().hindrance == "files-gone"
    away.replace(path)
    errors.clear()
    assert await journal.look() == ""
    assert await said(journal, "two") == ["stored"]
    assert await stored(journal, path) == ["one", "two"]


async def test_a_write_that_fails_within_commit_is_told_and_nothing_of_it_stays(
    journal: SqlJournal, path: Path
) -> None:
    """The write-ahead file is written by COMMIT: SQLite says so, and has rolled back by itself."""
    assert await said(journal, "one") == ["stored"]
    with full_at(wal_path(path).stat().st_size):
        assert await said(journal, "two", "three") == ["JournalUnavailable"] * 2
        assert not await is_open(journal)
        assert await said(journal, "four") == ["JournalUnavailable"]
        assert await journal.look() != ""
    assert await journal.look() == ""
    assert await said(journal, "five", "two", "one") == ["stored", "stored", "duplicate"]
    assert await stored(journal, path) == ["one", "five", "two"]


async def test_a_full_database_is_told_and_nothing_of_the_group_stays(journal: SqlJournal, path: Path) -> None:
    """A statement fails with SQLITE_FULL, and SQLite may have rolled back by itself."""
    pages = await journal._thread.run_raw(lambda raw: raw.execute("PRAGMA page_count").fetchone()[0])
    await journal._thread.run_raw(lambda raw: raw.execute(f"PRAGMA max_page_count = {pages}").fetchall())
    facts = [started(f"full-{number}", job="x" * 200) for number in range(400)]
    outcomes = await asyncio.gather(*map(journal.append, facts), return_exceptions=True)
    assert any(isinstance(one, JournalUnavailable) for one in outcomes)
    assert not await is_open(journal)
    known = [fact.origin.id for fact, one in zip(facts, outcomes, strict=True) if isinstance(one, Receipt)]
    assert await stored(journal, path) == known
    await journal._thread.run_raw(lambda raw: raw.execute("PRAGMA max_page_count = 1000000").fetchall())
    assert await said(journal, "after") == ["stored"]
    assert await stored(journal, path) == [*known, "after"]


async def test_a_begin_that_fails_leaves_nothing_to_the_next(journal: SqlJournal, path: Path) -> None:
    await journal._thread.run_raw(lambda raw: raw.execute("PRAGMA busy_timeout = 20").fetchall())
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert await said(journal, "one") == ["JournalUnavailable"]
        other.execute("ROLLBACK")
    assert not await is_open(journal)
    assert await said(journal, "two", "one") == ["stored", "stored"]
    assert await stored(journal, path) == ["two", "one"]


async def test_what_sqlite_rolled_back_by_itself_is_no_commit(path: Path) -> None:
    """The driver's commit says nothing where no transaction is open."""

    def ended_within(connection: Any) -> None:
        with connection.begin():
            connection.exec_driver_sql("CREATE TABLE kept (id)")
            connection.connection.driver_connection.execute("ROLLBACK")

    thread = await WriterThread.connect(path)
    with pytest.raises(sqlite3.OperationalError, match="rolled back before its end"):
        await thread.run(ended_within)

    def goes_on(connection: Any) -> list[Any]:
        with connection.begin():
            return list(connection.exec_driver_sql("SELECT name FROM sqlite_schema"))

    assert await thread.run(goes_on) == []
    await thread.close()


async def test_work_that_leaves_its_transaction_open_is_refused(path: Path) -> None:
    thread = await WriterThread.connect(path)
    with pytest.raises(RuntimeError, match="left its transaction open"):
        await thread.run(lambda connection: connection.exec_driver_sql("CREATE TABLE kept (id)").rowcount)
    assert await thread.run_raw(lambda raw: raw.execute("SELECT name FROM sqlite_schema").fetchall()) == []
    await thread.close()


async def test_a_reader_that_fails_leaves_no_old_snapshot(journal: SqlJournal, path: Path) -> None:
    """Else the next question would be answered as of then."""
    for _ in range(2 * READERS):
        with pytest.raises(JournalUnavailable, match="nowhere"):
            await ask_nowhere(journal)
    assert await said(journal, "one") == ["stored"]
    assert [await journal.count_facts() for _ in range(2 * READERS)] == [1] * 2 * READERS
