"""The journal and the ledger in one SQLite file: ports.journal.Journal, ports.ledger.LedgerStore, ports.queries."""

from __future__ import annotations

import asyncio
import os
import sqlite3
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final, Self, TypeVar

from sqlalchemy import Connection
from sqlalchemy.exc import DatabaseError

from pagereeve.ports.archives import Room
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import HINDRANCES, Hindrance
from pagereeve.ports.queries import JournalHealth
from pagereeve.store.errors import CantOpen, NotAJournal, unavailable
from pagereeve.store.newest import NewestFile
from pagereeve.store.records.checked_rows import file_packed
from pagereeve.store.records.nobody_else import NobodyElse
from pagereeve.store.records.requests import append_request
from pagereeve.store.sql.closing_parts import forget_attempts
from pagereeve.store.sql.group_writer import GROUP_MAX, QUEUE_DEPTH_MAX
from pagereeve.store.sql.journal_writes import JournalWrites
from pagereeve.store.sqlite.committing import Committer
from pagereeve.store.sqlite.connections import WriterThread, truncate_wal
from pagereeve.store.sqlite.files import lock_path, newest_path, shm_path, size_bytes, wal_path
from pagereeve.store.sqlite.lock import InstanceLock, raise_fence
from pagereeve.store.sqlite.opening_check import examine, require_journal
from pagereeve.store.sqlite.reads import SqlReads
from pagereeve.store.sqlite.upgrade import FreeBytes, free_bytes, refuse_full_disk, upgrade
from pagereeve.store.sqlite.watched_files import WatchedFiles
from pagereeve.store.sqlite.writer import WAL_LIMIT_BYTES, Writer

Result = TypeVar("Result")


_ROOM: Final = ("page_count", "freelist_count", "page_size")


@dataclass(frozen=True, slots=True)
class _Outside:
    """What is known of the journal outside of the database."""

    files: WatchedFiles
    newest: NewestFile


class SqlJournal(JournalWrites, SqlReads):
    """Opened by one process at a time. Several tasks may use it at once."""

    def __init__(
        self,
        path: Path,
        clock: Clock,
        fence: int,
        thread: WriterThread,
        writer: Writer,
        outside: _Outside,
        held: AsyncExitStack,
    ) -> None:
        JournalWrites.__init__(self, clock, writer, writer.committer, file_packed)
        SqlReads.__init__(self, path, files=outside.files)
        self.fence = fence
        self._thread = thread
        self._writer = writer
        self._files = outside.files
        self._newest = outside.newest
        self._held = held

    @classmethod
    async def open(
        cls,
        path: Path,
        clock: Clock,
        *,
        new: bool = False,
        accept_loss: bool = False,
        beside: tuple[Path, ...] = (),
        queue_depth_max: int = QUEUE_DEPTH_MAX,
        group_max: int = GROUP_MAX,
        wal_limit_bytes: int = WAL_LIMIT_BYTES,
        free: FreeBytes = free_bytes,
    ) -> Self:
        """Upgrades the file where needed. Raises store.errors.CantOpen or one of its kinds.

        A missing file is created, unless the lock file, the note of the newest commit, or a file ``beside`` shows that
        there was one: then only if ``new``. One that holds less than was acknowledged is refused, unless
        ``accept_loss``: then a LossAccepted is the next fact.
        """
        path = path.resolve()  # noqa: ASYNC240 - once, at the start
        require_journal(path, new=new, beside=beside)
        async with AsyncExitStack() as held:
            lock = InstanceLock.take(path)
            held.callback(lock.release)
            lock.refuse_foreign_side_file(wal_path(path))
            found = examine(path, accept_loss=accept_loss, new=new)
            try:
                thread = await _connected(path)
                held.push_async_callback(thread.close)
                await thread.run(partial(upgrade, path=path, free=free))
                fence = await thread.run(partial(raise_fence, now_us=clock.now_us(), above=found.fence))
                await _note_holder(lock, thread, fence)
                newest = NewestFile.open(newest_path(path), found.seen)
                held.callback(newest.close)
                files = WatchedFiles((path, wal_path(path), newest.path), (shm_path(path), lock_path(path)))
                held.callback(files.close)
                thread.watch(files)
                committer = Committer(files, newest, fence)
                sealing = partial(committer.heads.sealing.begin, now_us=clock.now_us(), path=path)
                await thread.run(sealing)
                await thread.run(forget_attempts)
                if found.loss is None:
                    await thread.run(committer.begin)
            except (sqlite3.Error, DatabaseError, OSError, UnicodeError) as error:
                raise _cant_open(path, error) from error
            writer = Writer(
                thread,
                path,
                clock,
                committer,
                queue_depth_max=queue_depth_max,
                group_max=group_max,
                wal_limit_bytes=wal_limit_bytes,
            )
            if found.loss is not None:
                # Its commit is the first that is noted: a start that dies before it is refused again.
                held.push_async_callback(writer.close)
                await writer.submit(append_request(found.fact(fence, clock.now_us())))
            return cls(path, clock, fence, thread, writer, _Outside(files, newest), held.pop_all())

    async def close(self) -> None:
        """Stores what is in line, ends, lets the next process in. A second call does nothing."""
        try:
            await self._writer.close()
        finally:
            # Also when the stop is cut short: whoever comes next must be able to open the file.
            await SqlReads.close(self)
            await self._held.aclose()

    async def _run(self, work: Callable[[Connection], Result]) -> Result:
        try:
            return await self._thread.run(work)
        except (sqlite3.Error, DatabaseError, OSError) as error:
            raise unavailable(self._path, error) from error

    async def rows_version(self, printer: str) -> int:
        """ports.ledger.RowWrites. What this process knows: no other writes the file."""
        return self._writer.committer.heads.versions.now(printer)

    def following(self) -> NobodyElse:
        """ports.store.Store."""
        return NobodyElse()

    async def rewrite(self, free: FreeBytes = free_bytes) -> None:
        """Make the file anew, so that nothing of what was replaced or deleted is left in its unused parts.

        Raises NoSpace where the disk has no room for it, JournalUnavailable.
        """
        refuse_full_disk(self._path, free)
        try:
            await self._thread.run_raw(lambda raw: raw.execute("VACUUM"))
            # Rows keep their numbers, as these are a key; the newest one is noted as it is found now all the same.
            await self._thread.run(self._writer.committer.begin)
            await self._thread.run_raw(truncate_wal)
        except (sqlite3.Error, OSError) as error:
            raise unavailable(self._path, error) from error

    async def room(self) -> Room:
        """Raises JournalUnavailable."""

        def pages(raw: sqlite3.Connection) -> Room:
            figures = [int(raw.execute(f"PRAGMA {one}").fetchone()[0]) for one in _ROOM]
            return Room(figures[0] * figures[2], figures[1] * figures[2])

        try:
            return await self._thread.run_raw(pages)
        except sqlite3.Error as error:
            raise unavailable(self._path, error) from error

    async def checkpoint(self) -> bool:
        """Cut the write-ahead file to nothing. False while a reader blocks it: retry later.

        Raises JournalUnavailable where the disk does not take it, or the journal is closed.
        """
        try:
            return await self._thread.run_raw(truncate_wal)
        except (sqlite3.Error, ValueError) as error:
            raise unavailable(self._path, error) from error

    async def look(self) -> str:
        """To be called each second: makes durable what was noted of the newest commit. Says what ``trouble`` says.

        Where the last group was not stored, it looks whether one would be now.
        """
        if self._writer.alive and self._writer.hindered is None:
            try:
                await asyncio.to_thread(self._newest.sync)
            except OSError as error:
                self._writer.hinder(error)
        elif self._writer.alive:
            await self._writer.probe()
        return self.trouble()

    def trouble(self) -> str:
        """Empty while it can store."""
        if not self._writer.alive:
            return "nothing can be stored any more; see the log"
        if (files := self._files.trouble()) is not None:
            return files.text if files.hindrance == "files-gone" else f"{HINDRANCES[files.hindrance]}: {files.text}"
        hindered = self._writer.hindered
        return "" if hindered is None else f"{HINDRANCES[hindered.hindrance]}: {hindered}"

    def _hindrance(self) -> Hindrance | None:
        """None while it can store."""
        if not self._writer.alive:
            return "closed"
        if (files := self._files.trouble()) is not None:
            return files.hindrance
        return None if self._writer.hindered is None else self._writer.hindered.hindrance

    def health(self) -> JournalHealth:
        return self._writer.health(
            fence=self.fence,
            hindrance=self._hindrance(),
            damaged_rows=len(self.damaged()),
            database_size_bytes=size_bytes(self._path),
            wal_size_bytes=size_bytes(wal_path(self._path)),
            wal_limit_bytes=self._writer.wal_limit_bytes,
        )


async def _connected(path: Path) -> WriterThread:
    # Created here, so that it and the files beside it are nobody else's to read, whatever the umask allows.
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
    return await WriterThread.connect(path)


async def _note_holder(lock: InstanceLock, thread: WriterThread, fence: int) -> None:
    """The fence is noted only once the database file itself holds it (InstanceLock.refuse_foreign_side_file)."""
    lock.note()
    if await thread.run_raw(truncate_wal):
        lock.note(fence)


def _cant_open(path: Path, error: sqlite3.Error | DatabaseError | OSError | UnicodeError) -> CantOpen:
    reason = error.orig if isinstance(error, DatabaseError) else error
    code = getattr(reason, "sqlite_errorcode", None)
    if code in {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT} or isinstance(reason, UnicodeError):
        return NotAJournal(path, f"{reason}; name another file, or restore it from a copy")
    return CantOpen(path, f"{reason}")
