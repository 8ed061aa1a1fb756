"""Connections: one that writes, one transaction after another, and a few that only read.

Each has its limits from the server's own clock, which hold also while our process is stopped: a statement, a wait for
a lock, and a transaction in which nothing happens end, and let others go on.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final, TypeVar

import asyncpg
from sqlalchemy import Connection, NullPool
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.postgres.address import SYSTEM_ROOTS, Address
from pagereeve.store.postgres.sqlstates import is_lost

Result = TypeVar("Result")

CONNECT_S: Final = 10.0
READERS: Final = 5
"""Four questions, and one look at what is refused before it takes a turn (console/api/turns.py)."""
READER_WAIT_S: Final = 30.0
ALONE_KEY: Final = 0x5061_6765_7265_6576
"""Of the advisory lock that a daemon holds which must be the only one."""
_TRY_ALONE: Final = f"SELECT pg_try_advisory_lock({ALONE_KEY})"


_POOLER: Final = "a connection pooler stands before the server; name the server's own port"


@dataclass(frozen=True, slots=True)
class Limits:
    """In milliseconds, told to the server at the connection's start."""

    statement_ms: int = 60_000
    lock_ms: int = 5_000
    idle_in_transaction_ms: int = 10_000

    def settings(self) -> Mapping[str, str]:
        return {
            "statement_timeout": str(self.statement_ms),
            "lock_timeout": str(self.lock_ms),
            "idle_in_transaction_session_timeout": str(self.idle_in_transaction_ms),
        }


WRITER_LIMITS: Final = Limits()
# A snapshot stays open while its rows are made into answers.
READER_LIMITS: Final = Limits(statement_ms=300_000, idle_in_transaction_ms=600_000)
# Each table is written anew.
REWRITE_LIMITS: Final = Limits(statement_ms=4 * 3_600_000)
# A peer that is gone without a word is noticed within half a minute, on both sides.
_KEEPALIVES: Final = {
    "tcp_keepalives_idle": "10",
    "tcp_keepalives_interval": "5",
    "tcp_keepalives_count": "3",
    "tcp_user_timeout": "20000",
}


async def connected(address: Address, limits: Limits) -> asyncpg.Connection:
    """Raises OSError, also for what the server says: it can't be used, and why."""
    try:
        connection = await _connected(address, limits)
        try:
            await _require_no_pooler(connection)
        except BaseException:
            connection.terminate()
            raise
    except TimeoutError:
        raise ConnectionError(f"no answer within {CONNECT_S:.0f} s") from None
    except ssl.SSLCertVerificationError as error:
        raise ConnectionError(
            f"the server's certificate is not accepted ({error.verify_message}); sslrootcert after the ? must name the "
            "file of the authority that signed it, and with verify-full the url's host must be a name in it"
        ) from error
    except ssl.SSLError as error:
        raise ConnectionError(f"TLS with the server fails: {error.reason or error}") from error
    except ConnectionError as error:
        if "rejected SSL upgrade" not in str(error):
            raise
        problem = f"the server speaks no TLS, which sslmode={address.sslmode} asks for; set ssl = on there"
        raise ConnectionError(problem) from error
    except (asyncpg.PostgresError, asyncpg.InterfaceError, ValueError) as error:
        raise ConnectionError(_words(str(error))) from error
    return connection


async def _connected(address: Address, limits: Limits) -> asyncpg.Connection:
    """What is not said here asyncpg would take from the environment and from files: the password most of all."""
    settings = {"application_name": "pagereeve", **limits.settings(), **_KEEPALIVES}
    return await asyncpg.connect(
        host=address.host,
        port=address.port,
        database=address.database,
        user=address.user,
        password=address.password or "",
        ssl=_tls(address),
        timeout=CONNECT_S,
        command_timeout=2 * limits.statement_ms / 1000,
        server_settings=settings,
    )


def _tls(address: Address) -> ssl.SSLContext | str:
    """Raises OSError where the authorities' file can't be read."""
    roots = address.sslrootcert
    if roots is None:
        return address.sslmode or "prefer"
    context = ssl.create_default_context()
    if roots != SYSTEM_ROOTS:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        try:
            context.load_verify_locations(cafile=roots)
        except OSError as error:
            raise ConnectionError(f"sslrootcert {roots} can't be used: {error.strerror or error}") from error
    context.check_hostname = address.sslmode == "verify-full"
    return context


async def _require_no_pooler(connection: asyncpg.Connection) -> None:
    """Locks and limits belong to a session of the server, which a pooler hands from one of us to another.

    A server names its own process as the connection begins (postgresql.org/docs/15/protocol-flow.html, BackendKeyData);
    what stands before it can't know which process it will be. Raises ConnectionError.
    """
    said = connection.get_server_pid()
    if await connection.fetchval("SELECT pg_backend_pid()") != said:
        raise ConnectionError(f"sessions are not the server's own: {_POOLER}")


def _words(said: str) -> str:
    if "startup parameter" in said or "prepared statement" in said:
        return f"{said}: {_POOLER}"
    return said


class WriterConnection:
    """The connection that writes, made again when it was lost. Work is a whole transaction, one at a time."""

    def __init__(self, address: Address, *, alone: bool = False, limits: Limits = WRITER_LIMITS) -> None:
        self._address = address
        self._alone = alone
        self._engine = create_async_engine(
            "postgresql+asyncpg://",
            async_creator=partial(connected, address, limits),
            poolclass=NullPool,
            hide_parameters=True,
        )
        self._connection: AsyncConnection | None = None
        self._turn = asyncio.Lock()
        self.server_pid: int | None = None
        """Of the server's process that serves it now, or served it last."""

    async def run(self, work: Callable[[Connection], Result]) -> Result:
        """It begins and ends its own transaction. Raises what ``work`` raises, OSError or JournalUnavailable."""
        async with self._turn:
            connection = self._connection or await self._opened()
            try:
                return await connection.run_sync(work)
            except BaseException as error:
                if is_lost(error) or connection.invalidated or connection.in_transaction():
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
            if self._alone:
                await self._be_alone(connection)
        except BaseException:
            await connection.close()
            raise
        self._connection = connection
        return connection

    async def _be_alone(self, connection: AsyncConnection) -> None:
        """The lock lives and dies with the session that writes: whoever has lost it can't write."""
        async with connection.begin():
            got = (await connection.exec_driver_sql(_TRY_ALONE)).scalar_one()
        if not got:
            raise JournalUnavailable(f"another daemon works with journal {self._address}", "busy")

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
