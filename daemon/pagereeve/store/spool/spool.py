"""The spool's file. ports.spool.EventSpool and RunSpool.

An SQLite file in WAL mode with ``synchronous = FULL``: a line that a relay hands over is forgotten there once it is
kept here, so each is fsynced (sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import asyncio
import os
import sqlite3
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Final, Self, TypeVar

from pagereeve.domain.facts.facts import BadgePresented, BadgeUnreadable
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.ports.spool import NotSpooled, Run, Spoolable, SpooledEvent, SpooledRuns, SpoolFigures
from pagereeve.store.records.fact_record import fact_of, file, run_of

Result = TypeVar("Result")

ROWS_MAX: Final = 200_000
SIZE_MAX_BYTES: Final = 128 * 2**20
# What a row costs beside its body, so that many short ones are bounded as well.
ROW_COST_BYTES: Final = 64
BUSY_S: Final = 5.0
REMEMBERED_MAX: Final = 65_536
"""What found no room comes again and again: so many are known as the same."""
_TABLES: Final = """
CREATE TABLE IF NOT EXISTS event (number INTEGER PRIMARY KEY AUTOINCREMENT, body TEXT NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS run (
    number INTEGER PRIMARY KEY AUTOINCREMENT, printer TEXT NOT NULL, body TEXT NOT NULL) STRICT;
CREATE INDEX IF NOT EXISTS run_printer ON run (printer, number);
CREATE TABLE IF NOT EXISTS open_run (printer TEXT PRIMARY KEY, body TEXT NOT NULL) STRICT;
"""
_PUT_OPEN: Final = "INSERT INTO open_run (printer, body) VALUES (?, ?) ON CONFLICT DO UPDATE SET body = excluded.body"
_SIZE: Final = "SELECT count(*), coalesce(sum(length(CAST(body AS BLOB))), 0) FROM "


class SpoolFile:
    """Ends with ``close``. Beyond ``rows_max`` or ``size_max_bytes`` it takes nothing more, but for what replaces."""

    def __init__(self, path: Path, connection: sqlite3.Connection, rows_max: int, size_max_bytes: int) -> None:
        self.path = path
        self._connection = connection
        self._thread = ThreadPoolExecutor(1, "spool")
        self._rows_max, self._size_max_bytes = rows_max, size_max_bytes
        self._closed = False
        self._size_bytes = 0
        self._events = 0
        self._runs: Counter[str] = Counter()
        self._open_sizes: dict[str, int] = {}
        self._replayed = self._refused = self._unusable = 0
        self._without_room: set[int] = set()

    @classmethod
    async def open(cls, path: Path, *, rows_max: int = ROWS_MAX, size_max_bytes: int = SIZE_MAX_BYTES) -> Self:
        """Makes it where there is none. Raises NotSpooled."""
        try:
            spool = cls(path, await asyncio.to_thread(_connected, path), rows_max, size_max_bytes)
            await spool._run(spool._measure)
        except (sqlite3.Error, OSError) as error:
            raise NotSpooled(f"{path}: {error}") from error
        return spool

    def _measure(self) -> None:
        ask = self._connection.execute
        self._events, events_bytes = self._sized("event")
        self._size_bytes = events_bytes + self._sized("run")[1]
        self._runs.update(dict(ask("SELECT printer, count(*) FROM run GROUP BY printer")))
        for printer, size in ask("SELECT printer, length(CAST(body AS BLOB)) FROM open_run"):
            self._open_sizes[printer] = size + ROW_COST_BYTES
            self._size_bytes += size + ROW_COST_BYTES

    @property
    def waiting_events(self) -> int:
        return self._events

    def has_runs(self, printer: str) -> bool:
        return printer in self._open_sizes or self._runs[printer] > 0

    def printers(self) -> Sequence[str]:
        """Of which runs wait."""
        return sorted({*self._open_sizes, *(name for name, count in self._runs.items() if count)})

    def figures(self) -> SpoolFigures:
        return SpoolFigures(
            events=self._events,
            runs=self._runs.total() + len(self._open_sizes),
            size_bytes=self._size_bytes,
            size_max_bytes=self._size_max_bytes,
            replayed=self._replayed,
            refused=self._refused,
            unusable=self._unusable,
        )

    async def keep_event(self, event: Spoolable) -> None:
        await self._run(partial(self._keep_event, _body(event)))

    def _keep_event(self, body: str) -> None:
        size_bytes = self._room_for([body])
        self._write([("INSERT INTO event (body) VALUES (?)", (body,))])
        self._events += 1
        self._size_bytes += size_bytes

    async def events(self, most: int) -> Sequence[SpooledEvent]:
        asked = "SELECT number, body FROM event ORDER BY number LIMIT ?"
        rows = await self._run(lambda: self._connection.execute(asked, (most,)).fetchall())
        return [SpooledEvent(number, _event_of(body)) for number, body in rows]

    async def drop_events(self, through: int, unusable: int = 0) -> None:
        await self._run(partial(self._drop_events, through, unusable))

    def _drop_events(self, through: int, unusable: int) -> None:
        rows, size_bytes = self._sized("event WHERE number <= ?", through)
        self._write([("DELETE FROM event WHERE number <= ?", (through,))])
        self._replayed += rows - unusable
        self._unusable += unusable
        self._size_bytes -= size_bytes
        self._events -= rows

    async def keep_runs(self, printer: str, sealed: Sequence[Run], current: Run) -> None:
        await self._run(partial(self._keep_runs, printer, [_body(one) for one in sealed], _body(current)))

    def _keep_runs(self, printer: str, bodies: Sequence[str], current: str) -> None:
        # What may still grow takes the place of itself, and always finds it.
        size_bytes = self._room_for(bodies) if bodies else 0
        rows = [("INSERT INTO run (printer, body) VALUES (?, ?)", (printer, one)) for one in bodies]
        self._write([*rows, (_PUT_OPEN, (printer, current))])
        self._runs[printer] += len(bodies)
        open_bytes = _cost_bytes(current)
        self._size_bytes += size_bytes + open_bytes - self._open_sizes.get(printer, 0)
        self._open_sizes[printer] = open_bytes

    async def runs(self, printer: str, most: int) -> SpooledRuns:
        asked = "SELECT number, body FROM run WHERE printer = ? ORDER BY number LIMIT ?"
        found = "SELECT body FROM open_run WHERE printer = ?"
        rows = await self._run(lambda: self._connection.execute(asked, (printer, most)).fetchall())
        last = await self._run(lambda: self._connection.execute(found, (printer,)).fetchone())
        read = [_run_of(body) for _, body in rows]
        current = None if last is None else _run_of(last[0])
        sealed = [one for one in read if one is not None]
        unread = len(read) - len(sealed) + (last is not None and current is None)
        return SpooledRuns(sealed, rows[-1][0] if rows else 0, current, unread)

    async def drop_runs(self, printer: str, runs: SpooledRuns) -> None:
        await self._run(partial(self._drop_runs, printer, runs))

    def _drop_runs(self, printer: str, runs: SpooledRuns) -> None:
        """The open one too, once no finished run is left before it."""
        rows, size_bytes = self._sized("run WHERE printer = ? AND number <= ?", printer, runs.through)
        statements: list[tuple[str, tuple[object, ...]]] = [
            ("DELETE FROM run WHERE printer = ? AND number <= ?", (printer, runs.through))
        ]
        last = rows >= self._runs[printer]
        if last:
            statements.append(("DELETE FROM open_run WHERE printer = ?", (printer,)))
        self._write(statements)
        self._runs[printer] -= rows
        self._size_bytes -= size_bytes
        gone = rows
        if last and printer in self._open_sizes:
            self._size_bytes -= self._open_sizes.pop(printer)
            gone += 1
        self._replayed += gone - runs.unread
        self._unusable += runs.unread

    def _sized(self, rows: str, *values: object) -> tuple[int, int]:
        count, size_bytes = self._connection.execute(_SIZE + rows, values).fetchone()
        return int(count), int(size_bytes) + int(count) * ROW_COST_BYTES

    def _room_for(self, bodies: Sequence[str]) -> int:
        """In bytes. Raises NotSpooled where there is none."""
        size_bytes = sum(map(_cost_bytes, bodies))
        waiting = self._events + self._runs.total()
        if waiting + len(bodies) > self._rows_max or self._size_bytes + size_bytes > self._size_max_bytes:
            self._count_refused(bodies)
            raise NotSpooled(f"the spool is full: {waiting} wait in {self._size_bytes} bytes")
        return size_bytes

    def _count_refused(self, bodies: Sequence[str]) -> None:
        """Each once, however often it is tried."""
        known = self._without_room
        for one in map(hash, bodies):
            if one not in known:
                self._refused += 1
                if len(known) >= REMEMBERED_MAX:
                    known.clear()
                known.add(one)

    def _write(self, statements: Sequence[tuple[str, tuple[object, ...]]]) -> None:
        with self._connection:
            self._connection.execute("BEGIN IMMEDIATE")
            for statement, values in statements:
                self._connection.execute(statement, values)

    async def _run(self, work: Callable[[], Result]) -> Result:
        """In a thread of its own, one after another: whoever gives up waiting leaves none half done."""
        try:
            return await asyncio.get_running_loop().run_in_executor(self._thread, work)
        except sqlite3.Error as error:
            raise NotSpooled(f"the spool {self.path} takes nothing: {error}") from error

    async def close(self) -> None:
        """What is under way ends first. A second call does nothing."""
        if self._closed:
            return
        self._closed = True
        await asyncio.get_running_loop().run_in_executor(self._thread, self._connection.close)
        self._thread.shutdown(wait=False)


def _connected(path: Path) -> sqlite3.Connection:
    # As the journal's own file: nobody else's to read, whatever the umask allows.
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.executescript(_TABLES)
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _cost_bytes(body: str) -> int:
    return len(body.encode()) + ROW_COST_BYTES


def _body(fact: Spoolable | Run) -> str:
    try:
        return file(fact).body
    except PagereeveError as error:
        raise NotSpooled(f"it could not be read back: {error}") from error


def _event_of(body: str) -> Spoolable | None:
    try:
        fact = fact_of(body)
    except (PagereeveError, ValueError):
        return None
    return fact if isinstance(fact, BadgePresented | BadgeUnreadable) else None


def _run_of(body: str) -> Run | None:
    try:
        return run_of(body)
    except (PagereeveError, ValueError):
        return None
