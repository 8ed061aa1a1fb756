"""Connections: one that writes, one transaction after another, and a few that only read.

Each has its limits from the server's own clock, which hold also while our process is stopped: a statement, a wait for
a lock, and a transaction in which nothing happens end, and let others go on.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Final, Literal, TypeVar

import asyncpg
from sqlalchemy import Connection, NullPool
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.errors import Outdated
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.connecting import Limits, connected
from pagereeve.store.postgres.revisions import OWN, hold, least, too_old
from pagereeve.store.postgres.sqlstates import is_lost

Result = TypeVar("Result")
Company = Literal["alone", "shared", "any"]
"""Beside whom a connection writes: nobody who asks for a company; others that share; whoever there is."""

READERS: Final = 5
"""Four questions, and one look at what is refused before it takes a turn (console/api/turns.py)."""
READER_WAIT_S: Final = 30.0
ALONE_KEY: Final = 0x5061_6765_7265_6576
"""Of the advisory lock that a daemon holds which must be the only one; several that know of one another share it."""
_TRY: Final[Mapping[Company, str]] = {
    "alone": f"SELECT pg_try_advisory_lock({ALONE_KEY})",
    "shared": f"SELECT pg_try_advisory_lock_shared({ALONE_KEY})",
}


WRITER_LIMITS: Final = Limits()
# A snapshot stays open while its rows are made into answers.
READER_LIMITS: Final = Limits(statement_ms=300_000, idle_in_transaction_ms=600_000)
# Each table is written anew.
REWRITE_LIMITS: Final = Limits(statement_ms=4 * 3_600_000)


class WriterConnection:
    """The connection that writes, made again when it was lost. Work is a whole transaction, one at a time.

    ``check``, where it is set, looks at a connection that was made again, before any work.
    """

    def __init__(self, address: Address, *, company: Company = "any", limits: Limits = WRITER_LIMITS) -> None:
        self._address = address
        self._company = company
        self._engine = create_async_engine(
            "postgresql+asyncpg://",
            async_creator=partial(connected, address, limits),
            poolclass=NullPool,
            hide_parameters=True,
        )
        self._connection: AsyncConnection | None = None
        self.check: Callable[[Connection], None] | None = None
        self._turn = asyncio.Lock()
        self.server_pid: int | None = None
        """Of the server's process that serves it now, or served it last."""

    async def run(self, work: Callable[[Connection], Result], within_s: float | None = None) -> Result:
        """It begins and ends its own transaction. Raises what ``work`` raises, OSError or JournalUnavailable.

        ``within_s``: for the turn and for the server's answers; else TimeoutError, and it may be stored all the same.
        """
        try:
            async with asyncio.timeout(within_s):
                return await self._run(work)
        except TimeoutError as error:
            if within_s is None:
                raise
            raise TimeoutError(f"the server gives no answer within {within_s:.0f} s") from error

    async def _run(self, work: Callable[[Connection], Result]) -> Result:
        async with self._turn:
            connection = self._connection or await self._opened()
            try:
                return await connection.run_sync(work)
            except BaseException as error:
                cut_off = not isinstance(error, Exception)
                if cut_off or is_lost(error) or _is_hollow(connection) or connection.in_transaction():
                    await self._drop()
                raise

    async def settled(self) -> None:
        """Until the work that is being done now has ended."""
        async with self._turn:
            return

    async def _opened(self) -> AsyncConnection:
        connection = await self._engine.connect()
        try:
            raw = (await connection.get_raw_connection()).driver_connection
            self.server_pid = None if raw is None else raw.get_server_pid()
            await connection.run_sync(hold)
            await connection.run_sync(self._require_recent)
            if (lock := _TRY.get(self._company)) is not None:
                await self._lock(connection, lock)
            if self.check is not None:
                await connection.run_sync(self.check)
        except BaseException:
            await connection.close()
            raise
        self._connection = connection
        return connection

    def _require_recent(self, connection: Connection) -> None:
        """Also of one that was made again: meanwhile a later version may have shut this one out."""
        with connection.begin():
            number = least(connection)
        if number > OWN:
            raise Outdated(str(self._address), too_old(number))

    async def _lock(self, connection: AsyncConnection, lock: str) -> None:
        """The lock lives and dies with the session that writes: whoever has lost it can't write."""
        async with connection.begin():
            got = (await connection.exec_driver_sql(lock)).scalar_one()
        if not got:
            who = "another daemon" if self._company == "alone" else "a daemon or a command that must be the only one"
            raise JournalUnavailable(f"{who} works with journal {self._address}", "busy")

    async def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            await connection.invalidate()
            await connection.close()

    async def close(self) -> None:
        async with self._turn:
            connection, self._connection = self._connection, None
            if connection is not None:
                await connection.close()
            await self._engine.dispose()


def _is_hollow(connection: AsyncConnection) -> bool:
    """Work that was cut off may leave one that looks whole, while the driver's own connection is gone from it."""
    sync = connection.sync_connection
    return connection.invalidated or sync is None or sync.connection.dbapi_connection is None


async def rewrite(address: Address, tables: Sequence[str]) -> None:
    """Raises OSError, also for what the server says: not all of them were rewritten, and it can be done again."""
    connection = await connected(address, REWRITE_LIMITS)
    try:
        await connection.execute("VACUUM (FULL) " + ", ".join(f'"{name}"' for name in tables))
    except (asyncpg.PostgresError, asyncpg.InterfaceError, TimeoutError) as error:
        raise OSError(f"the tables were not rewritten: {error}") from error
    finally:
        await connection.close()


def reading_engine(address: Address, limits: Limits = READER_LIMITS) -> AsyncEngine:
    """At most READERS connections that can't write; what one begins is a snapshot."""
    return create_async_engine(
        "postgresql+asyncpg://",
        async_creator=partial(connected, address, limits),
        pool_size=READERS,
        max_overflow=0,
        pool_timeout=READER_WAIT_S,
        pool_pre_ping=True,
        hide_parameters=True,
        execution_options={"isolation_level": "REPEATABLE READ", "postgresql_readonly": True},
    )
