"""The journal for those who only read, beside the daemon that writes it."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Final, Self

from sqlalchemy.exc import DatabaseError

from pagereeve.store.errors import CantOpen, NotAJournal
from pagereeve.store.sql.archiving import ArchivableReads
from pagereeve.store.sql.reads import StoreReads
from pagereeve.store.sql.snapshots import Reader
from pagereeve.store.sqlite.connections import reading_engine
from pagereeve.store.sqlite.files import archives_path
from pagereeve.store.sqlite.opening_check import loss_of
from pagereeve.store.sqlite.revision import require_current
from pagereeve.store.sqlite.watched_files import WatchedFiles

TROUBLES_MAX: Final = 100


class SqlReads(StoreReads, ArchivableReads):
    """All reads of ports.journal, ledger, outbox and queries. Raises JournalUnavailable where reading fails."""

    def __init__(self, path: Path, *, nobody_writes: bool = False, files: WatchedFiles | None = None) -> None:
        engine = reading_engine(path, nobody_writes=nobody_writes, files=files)
        super().__init__(Reader(engine, path, archives=archives_path(path)))
        self._path = path

    @classmethod
    async def open_for_reading(cls, path: Path, *, nobody_writes: bool = False) -> Self:
        """Raises CantOpen, NewerSchema or NotAJournal. Changes nothing, takes no lock.

        ``nobody_writes``: the caller knows so; then no file at all is made beside the journal, on a full disk either.
        """
        path = path.resolve()  # noqa: ASYNC240 - once, at the start
        if not path.is_file():
            raise CantOpen(path, "there is no such file; the daemon creates it at its first start")
        reads = cls(path, nobody_writes=nobody_writes)
        try:
            async with reads._reader.snapshot() as connection:
                await connection.run_sync(require_current, path)
        except BaseException as error:
            await reads._reader.close()
            cause = error.__cause__
            if isinstance(cause, DatabaseError) and "not a database" in str(cause):
                raise NotAJournal(path, "is no database; name another file") from error
            raise
        return reads

    async def file_troubles(self) -> Sequence[str]:
        """ports.seal.SealReads: the first TROUBLES_MAX that SQLite's own check finds (sqlite.org/pragma.html,
        ``integrity_check``), and what ``journal.newest`` says.
        """
        async with self._reader.snapshot() as connection:
            rows = (await connection.exec_driver_sql(f"PRAGMA integrity_check({TROUBLES_MAX})")).scalars().all()
        lost = await asyncio.to_thread(loss_of, self._path)
        return [*(str(one) for one in rows if one != "ok"), *([lost] if lost else [])]

    async def close(self) -> None:
        await self._reader.close()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()
