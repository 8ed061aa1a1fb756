"""Short reads: a statement or a few in one snapshot, all rows fetched before anybody else runs."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Row, Select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine

from pagereeve.ports.journal import Hindrance, JournalUnavailable
from pagereeve.store.errors import is_away
from pagereeve.store.records.checked_rows import Damage

PAGE_ROWS: Final = 128
"""Rows of a page: decoding so many keeps the loop from other work for a few milliseconds."""


class Reader:
    """Hands out snapshots. A snapshot that stays open keeps the write-ahead file growing: never await others in it.

    ``archives``: the folder of files with facts that left the journal; None where there can be none. ``refusal``: why
    nothing is read just now, where that is known without asking the database.
    """

    def __init__(
        self, engine: AsyncEngine, path: Path | str, damage: Damage | None = None, archives: Path | None = None
    ) -> None:
        self.damage = damage or Damage()
        self.archives = archives
        self.refusal: Callable[[], JournalUnavailable | None] = lambda: None
        self._engine = engine
        self._path = path
        self._closed = False

    @asynccontextmanager
    async def snapshot(self) -> AsyncIterator[AsyncConnection]:
        """Raises JournalUnavailable where the database can't be read."""
        if self._closed:
            raise JournalUnavailable(f"journal {self._path} is closed", "closed")
        if (refusal := self.refusal()) is not None:
            raise refusal
        try:
            async with AsyncExitStack() as held:
                try:
                    connection = await held.enter_async_context(self._engine.connect())
                except OSError as error:
                    # A server that can't be reached. What a caller does meanwhile may raise it, too: that is its own.
                    problem = f"journal {self._path} can't be reached: {error}; try again later"
                    raise JournalUnavailable(problem, "away") from error
                yield connection
        except (DBAPIError, PoolTimeout, UnicodeError) as error:
            # The driver raises the last where a flipped bit stands in a name, and it can't say which.
            reason = getattr(error, "orig", None) or error
            hindrance: Hindrance = "away" if is_away(error) or is_away(reason) else "other"
            problem = f"journal {self._path} can't be read: {reason}; try again later"
            raise JournalUnavailable(problem, hindrance) from error

    async def rows(self, statement: Select[Any]) -> Sequence[Row[Any]]:
        async with self.snapshot() as connection:
            rows: Sequence[Row[Any]] = (await connection.execute(statement)).all()
            return rows

    async def first(self, statement: Select[Any]) -> Row[Any] | None:
        async with self.snapshot() as connection:
            row: Row[Any] | None = (await connection.execute(statement.limit(1))).first()
            return row

    @asynccontextmanager
    async def held(self) -> AsyncIterator[Reader]:
        """A reader whose reads all see one moment, for one task. Raises JournalUnavailable."""
        async with self.snapshot() as connection:
            yield _HeldReader(self._engine, self._path, self, connection)

    async def close(self) -> None:
        self._closed = True
        await self._engine.dispose()


class _HeldReader(Reader):
    """Every snapshot is the one that is open already."""

    def __init__(self, engine: AsyncEngine, path: Path | str, of: Reader, connection: AsyncConnection) -> None:
        super().__init__(engine, path, of.damage, of.archives)
        self._connection = connection

    @asynccontextmanager
    async def snapshot(self) -> AsyncIterator[AsyncConnection]:
        yield self._connection
