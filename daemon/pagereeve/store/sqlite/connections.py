"""Connections: one that writes, in a thread of its own, and a few that only read."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar

import aiosqlite
from sqlalchemy import URL, Connection, Engine, NullPool, StaticPool, create_engine, event
from sqlalchemy.ext.asyncio import AsyncEngine, create_async_engine

from pagereeve.store.records.body_forms import unpacked_body
from pagereeve.store.sql.stored_types import FACT_TEXT
from pagereeve.store.sqlite.watched_files import WatchedFiles

Result = TypeVar("Result")

BUSY_TIMEOUT_MS: Final = 5_000
CHECKPOINT_BUSY_MS: Final = 200
WAL_KEPT_BYTES: Final = 16 * 2**20
READERS: Final = 4
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

    def __init__(self, driver: aiosqlite.Connection, engine: Engine) -> None:
        self._driver = driver
        self._engine = engine
        self._connection: Connection | None = None

    @classmethod
    async def connect(cls, path: Path) -> WriterThread:
        """Raises sqlite3.Error where the file can't be opened or is no database."""
        driver = aiosqlite.connect(path, isolation_level=None)
        # Else a process that ends by an exception, before it could close, would wait for this thread forever.
        driver._thread.daemon = True  # noqa: SLF001 - as SQLAlchemy does for its own; the guard test covers it
        await driver
        try:
            for pragma in _WRITER_PRAGMAS:
                await driver.execute_fetchall(pragma)
        except BaseException:
            await driver.close()
            raise
        driver.text_factory = ANY_TEXT
        await driver.create_function(FACT_TEXT, 1, unpacked_body, deterministic=True)
        raw = driver._conn  # noqa: SLF001 - aiosqlite has no public way to run a function; pinned, and a test guards it
        engine = create_engine("sqlite://", creator=lambda: raw, poolclass=StaticPool, hide_parameters=True)
        event.listen(engine, "begin", _begin_immediate)
        return cls(driver, engine)

    async def run(self, work: Callable[[Connection], Result]) -> Result:
        """``work`` on the writer's thread, alone. It begins and ends its own transaction."""
        return await self._call(lambda: work(self._opened()))

    async def run_raw(self, work: Callable[[sqlite3.Connection], Result]) -> Result:
        """The same outside of SQLAlchemy, for what is no transaction."""
        raw = self._driver._conn  # noqa: SLF001 - as in connect
        return await self._call(lambda: work(raw))

    async def _call(self, work: Callable[[], Result]) -> Result:
        result: Result = await self._driver._execute(work)  # type: ignore[no-untyped-call] # noqa: SLF001 - as in connect
        return result

    def _opened(self) -> Connection:
        if self._connection is None:
            self._connection = self._engine.connect()
        return self._connection

    async def close(self) -> None:
        if self._connection is not None:
            await self._call(self._connection.close)
        await self._driver.close()


def _begin_immediate(connection: Connection) -> None:
    # A deferred transaction that reads first can't become a writer when another one wrote in between.
    connection.exec_driver_sql("BEGIN IMMEDIATE")


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
