"""What other workers append, read behind the place in the seal that this one knows: ports.following.Following.

Places have no gaps and are given in the order of commits, so that whoever sees one sees all before it: nothing can
appear behind a place that was read past. NOTIFY says at once that there is something; whether there is, a look each
POLL_S tells alone (postgresql.org/docs/15/sql-notify.html: a session that is cut off misses what was told meanwhile).
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from functools import partial
from typing import Any, Final

from sqlalchemy import Connection, NullPool, bindparam, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.ext.asyncio import AsyncConnection, create_async_engine

from pagereeve.ports.following import FollowedFact, FollowedPage
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.errors import unavailable
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.connecting import Limits, connected
from pagereeve.store.postgres.connections import WriterConnection
from pagereeve.store.postgres.gates import CHANNEL as GATES
from pagereeve.store.postgres.gates import PostgresGates
from pagereeve.store.postgres.own_places import OwnPlaces
from pagereeve.store.records.checked_rows import Damage
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.driven import Driven

POLL_S: Final = 1.0
GATHER_S: Final = 0.005
"""Many groups of busy workers are read together."""
CHANNEL: Final = "pagereeve_sealed"
LIMITS: Final = Limits(statement_ms=10_000)

_ENTRY: Final = schema.seal_entry.c
_BEHIND: Final = Driven(
    select(_ENTRY.position, *schema.CHECKED)
    .select_from(
        schema.seal_entry.join(
            schema.fact, (schema.fact.c.printer == _ENTRY.printer) & (schema.fact.c.seq == _ENTRY.seq)
        )
    )
    .where(_ENTRY.position > bindparam("place"), _ENTRY.position <= bindparam("through"))
    .order_by(_ENTRY.position)
)


class PostgresFollowing:
    """On a connection of its own, which listens unless ``listens`` is False."""

    longest_s = POLL_S

    def __init__(
        self,
        address: Address,
        writer: WriterConnection,
        own: OwnPlaces,
        place: int,
        damage: Damage,
        *,
        listens: bool = True,
        fence: int = 0,
    ) -> None:
        self.gates = PostgresGates(self._run, fence)
        self._turn = asyncio.Lock()
        self._name = str(address)
        self._writer = writer
        self._own = own
        self._place = place
        self._damage = damage
        self._listens = listens
        self._news = asyncio.Event()
        self._closed = False
        self._connection: AsyncConnection | None = None
        self._engine = create_async_engine(
            "postgresql+asyncpg://",
            async_creator=partial(connected, address, LIMITS),
            poolclass=NullPool,
            hide_parameters=True,
            execution_options={"isolation_level": "AUTOCOMMIT"},
        )

    async def page(self, limit: int) -> FollowedPage:
        """ports.following.Following."""
        self._place = place = self._own.past(self._place)
        rows = await self._run(partial(_rows_behind, place=place, limit=limit))
        if not rows:
            return FollowedPage((), place)
        # A group of ours may be stored, and its writer may not have heard of it.
        await self._writer.settled()
        facts = [
            FollowedFact(row.position, row.seq, fact)
            for row in rows
            if row.shift_us is not None
            and not self._own.holds(row.position)
            and (fact := self._damage.whole(row)) is not None
        ]
        return FollowedPage(facts, rows[-1].position, len(rows) == limit)

    def passed(self, page: FollowedPage) -> None:
        """ports.following.Following."""
        self._place = max(self._place, page.through)

    async def news(self) -> None:
        """ports.following.Following."""
        try:
            async with asyncio.timeout(POLL_S):
                await self._news.wait()
                await asyncio.sleep(GATHER_S)
        except TimeoutError:
            pass
        self._news.clear()

    def _heard(self, _connection: object, pid: int, channel: str, _payload: object) -> None:
        if channel == GATES:
            self.gates.told = True
        elif pid == self._writer.server_pid:
            return
        self._news.set()

    async def _run(self, work: Callable[[Connection], Sequence[Any]]) -> Sequence[Any]:
        if self._closed:
            raise JournalUnavailable(f"journal {self._name} is closed", "closed")
        async with self._turn:
            return await self._run_alone(work)

    async def _run_alone(self, work: Callable[[Connection], Sequence[Any]]) -> Sequence[Any]:
        try:
            if self._connection is not None:
                with suppress(DBAPIError, OSError):
                    return await self._connection.run_sync(work)
                # It was cut off since: what was told meanwhile is read at once.
                await self._drop()
            return await (await self._opened()).run_sync(work)
        except (DBAPIError, OSError) as error:
            await self._drop()
            raise unavailable(self._name, error) from error
        except BaseException:
            await self._drop()
            raise

    async def _opened(self) -> AsyncConnection:
        connection = await self._engine.connect()
        try:
            if self._listens:
                # Before anything is read: what is stored from now on is told.
                raw: Any = (await connection.get_raw_connection()).driver_connection
                listen: Callable[..., Awaitable[None]] = raw.add_listener
                await listen(CHANNEL, self._heard)
                await listen(GATES, self._heard)
        except BaseException:
            await connection.close()
            raise
        self._connection = connection
        return connection

    async def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            await connection.invalidate()
            await connection.close()

    async def close(self) -> None:
        """ports.following.Following."""
        self._closed = True
        await self._drop()
        await self._engine.dispose()


def _rows_behind(connection: Connection, place: int, limit: int) -> Sequence[Any]:
    return _BEHIND.rows(connection, {"place": place, "through": place + limit})
