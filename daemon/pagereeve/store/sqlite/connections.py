"""Connections: one that writes, in a thread of its own, and a few that only read."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar

import aiosqlite
from sqlalchemy import URL, Connection, Engine, NullPool, StaticPool, create_engine, event
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.ext.asyncio import AsyncEngine, create_async_engine

from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.records.body_forms import unpacked_body
from pagereeve.store.sql.stored_types import FACT_TEXT
from pagereeve.store.sql.straight import begun, require_open
from pagereeve.store.sqlite.watched_files import WatchedFiles

Result = TypeVar("Result")

BUSY_TIMEOUT_MS: Final = 5_000
CHECKPOINT_BUSY_MS: Final = 200
WAL_KEPT_BYTES: Final = 16 * 2**20
READERS: Final = 5
"""Four questions, and one look at what is refused before it takes a turn (console/api/turns.py)."""
READER_WAIT_S: Final = 30.0

ANY_TEXT: Final = partial(str, encoding="utf-8", errors="surrogateescape")
"""A flipped bit may leave no UTF-8: the row must come out all the same, to be found damaged by its digest."""

# FULL, not NORMAL: an acknowledged commit must outlive a power cut. In groups it costs no more.
_WRITER_PRAGMAS: Final = (
    "PRAGMA journal_mode = WAL",
    "PRAGMA synchronous = FULL",
    "PRAGMA foreign_keys = ON",
    f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}",
    f"PRAGMA journal_size_limit = {WAL_KEPT_BYTES}",
)
_READER_PRAGMAS: Final = ("PRAGMA query_only = ON", f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")


class WriterThread:
    """The writing connection. Work is a whole function on its thread: one hop there and back for a transaction.

    Awaiting each statement would cost a hop apiece, which is most of the time that a small commit takes.
    """

    def __init__(self, driver: aiosqlite.Connection, path: Path) -> None:
        self._driver = driver
        self._path = path
        self._files: WatchedFiles | None = None
        self._engine = _writing_engine(self._raw)
        self._connection: Connection | None = None
        self._unclear = False

    @classmethod
    async def connect(cls, path: Path) -> WriterThread:
        """Raises sqlite3.Error where the file can't be opened or is no database."""
        driver = aiosqlite.connect(path, isolation_level=None)
        # Else a process that ends by an exception, before it could close, would wait for this thread forever.
        driver._thread.daemon = True  # noqa: SLF001 - as SQLAlchemy does for its own; the guard test covers it
        await driver
        thread = cls(driver, path)
        try:
            await thread._on_thread(partial(_prepare_writer, thread._raw))
        except BaseException:
            await driver.close()
            raise
        return thread

    def watch(self, files: WatchedFiles) -> None:
        """From now on the connection is made anew only while the files are in their places."""
        self._files = files

    async def run(self, work: Callable[[Connection], Result]) -> Result:
        """``work`` on the writer's thread, alone. It begins and ends its own transaction; where it raises, none is
        left open for the next.
        """
        return await self._on_thread(partial(self._done, lambda: work(self._opened())))

    async def run_raw(self, work: Callable[[sqlite3.Connection], Result]) -> Result:
        """The same outside of SQLAlchemy, for what is no transaction."""
        return await self._on_thread(partial(self._done, lambda: work(self._raw)))

    async def _on_thread(self, work: Callable[[], Result]) -> Result:
        result: Result = await self._driver._execute(work)  # type: ignore[no-untyped-call] # noqa: SLF001 - as in _raw
        return result

    @property
    def _raw(self) -> sqlite3.Connection:
        return self._driver._conn  # noqa: SLF001 - aiosqlite has no public way to run a function; pinned, and a test guards it

    def _opened(self) -> Connection:
        if self._connection is None:
            self._connection = self._engine.connect()
        return self._connection

    def _done(self, work: Callable[[], Result]) -> Result:
        """On the thread. Where its COMMIT is refused, SQLite leaves the transaction open, and SQLAlchemy does not look
        (sqlite.org/lang_transaction.html, section 2.3): the next would begin within it.
        """
        if self._unclear or self._raw.in_transaction:
            self._clear()
        try:
            result = work()
            _require_ended(self._raw)
        except BaseException:
            self._unclear = True
            # Where it fails it is tried again before the next work, which then hears why.
            with suppress(sqlite3.Error, SQLAlchemyError, OSError, JournalUnavailable):
                self._clear()
            raise
        return result

    def _clear(self) -> None:
        """Ends what is open. A connection that can't even be rolled back is given up for a new one.

        Raises sqlite3.Error or JournalUnavailable where no other can be opened.
        """
        if not _rolled_back(self._raw):
            self._open_anew()
        elif self._connection is not None:
            # What SQLAlchemy believes of it ends too.
            self._connection.close()
            self._connection = None
        self._unclear = False

    def _open_anew(self) -> None:
        """Before the old one is closed: the last connection that closes deletes the write-ahead file."""
        if self._files is not None:
            self._files.require()
        fresh = sqlite3.connect(f"{self._path.as_uri()}?mode=rw", uri=True, isolation_level=None)
        try:
            _prepare_writer(fresh)
            if self._files is not None:
                # Perhaps it opened another file, which somebody put into the place of ours.
                self._files.require()
        except BaseException:
            fresh.close()
            raise
        connection, self._connection, old = self._connection, None, self._raw
        self._driver._connection = fresh  # noqa: SLF001 - as in _raw
        if connection is not None:
            connection.invalidate()
            connection.close()
        old.close()
        self._engine = _writing_engine(fresh)

    async def close(self) -> None:
        if self._connection is not None:
            await self._on_thread(self._connection.close)
        await self._driver.close()


def _writing_engine(raw: sqlite3.Connection) -> Engine:
    engine = create_engine("sqlite://", creator=lambda: raw, poolclass=StaticPool, hide_parameters=True)
    event.listen(engine, "begin", _begin_immediate)
    event.listen(engine, "commit", require_open)
    return engine


def _prepare_writer(raw: sqlite3.Connection) -> None:
    for pragma in _WRITER_PRAGMAS:
        raw.execute(pragma).fetchall()
    raw.text_factory = ANY_TEXT
    raw.create_function(FACT_TEXT, 1, unpacked_body, deterministic=True)


def _rolled_back(raw: sqlite3.Connection) -> bool:
    """Is no transaction open any more?"""
    try:
        if raw.in_transaction:
            raw.rollback()
    except sqlite3.Error:
        return False
    return not raw.in_transaction


def _require_ended(raw: sqlite3.Connection) -> None:
    if raw.in_transaction:
        raise RuntimeError("the work left its transaction open; nothing of it is stored")


def _begin_immediate(connection: Connection) -> None:
    # A deferred transaction that reads first can't become a writer when another one wrote in between.
    begun(connection, "BEGIN IMMEDIATE")


def _begin_snapshot(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN")


def reading_engine(path: Path, *, nobody_writes: bool = False, files: WatchedFiles | None = None) -> AsyncEngine:
    """At most READERS connections that can't write, nor make the file; what one begins is a snapshot.

    ``nobody_writes``: not even the index of the write-ahead file is made, which needs 32 KiB of the disk
    (sqlite.org/wal.html, "Read-Only Databases"; sqlite.org/uri.html, ``immutable``). ``files``: a connection that is
    made while one of them is not where it was is refused.
    """
    how = "immutable=1" if nobody_writes else "mode=rw"
    engine = create_async_engine(
        URL.create("sqlite+aiosqlite", database=f"{path.as_uri()}?{how}", query={"uri": "true"}),
        pool_size=READERS,
        max_overflow=0,
        pool_timeout=READER_WAIT_S,
        hide_parameters=True,
    )
    event.listen(engine.sync_engine, "connect", partial(_prepare_reader, files))
    event.listen(engine.sync_engine, "begin", _begin_snapshot)
    return engine


def changing_engine(path: Path) -> Engine:
    """One connection beside the writer's own, for a short transaction; it never makes the file."""
    engine = create_engine(
        URL.create("sqlite", database=f"{path.as_uri()}?mode=rw", query={"uri": "true"}),
        poolclass=NullPool,
        hide_parameters=True,
    )
    event.listen(engine, "connect", _prepare_changer)
    event.listen(engine, "begin", _begin_immediate)
    return engine


def _prepare_changer(connection: Any, record: object) -> None:  # noqa: ARG001 - the event's
    connection.isolation_level = None
    # As the writer's own, but for the journal's mode, which the file has already.
    for pragma in _WRITER_PRAGMAS[1:]:
        connection.execute(pragma)


def _prepare_reader(files: WatchedFiles | None, connection: Any, record: object) -> None:  # noqa: ARG001 - the event's
    if files is not None and files.trouble():
        # Perhaps it opened another file, which somebody put into the place of ours.
        connection.close()
        files.require_if_gone()
    connection.isolation_level = None
    connection.driver_connection.text_factory = ANY_TEXT
    connection.create_function(FACT_TEXT, 1, unpacked_body, deterministic=True)
    cursor = connection.cursor()
    try:
        for pragma in _READER_PRAGMAS:
            cursor.execute(pragma)
    finally:
        cursor.close()


def truncate_wal(connection: sqlite3.Connection) -> bool:
    """Bring the write-ahead file into the database and cut it to nothing. False while a reader blocks it.

    Waits CHECKPOINT_BUSY_MS at most: nothing is stored meanwhile.
    """
    connection.execute(f"PRAGMA busy_timeout = {CHECKPOINT_BUSY_MS}")
    try:
        stopped, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
            return False
        raise
    else:
        return not stopped
    finally:
        connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
