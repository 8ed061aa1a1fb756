"""How a connection begins: which of the hosts it is to, how each side notices that the other is gone, and whether the
session is ours alone.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import asyncpg

from pagereeve.store.postgres.address import SYSTEM_ROOTS, Address

CONNECT_S: Final = 10.0
ONE_OF_SEVERAL_S: Final = 3.0
"""So long one host of several is waited for: another may have taken over."""
GRACE_S: Final = 0.5
"""So long the others, once one takes writes: a server that was set aside may come back and take them, too."""


@dataclass(frozen=True, slots=True)
class Limits:
    """In milliseconds, told to the server as the session begins."""

    statement_ms: int = 60_000
    lock_ms: int = 5_000
    idle_in_transaction_ms: int = 10_000

    def settings(self) -> Mapping[str, str]:
        return {
            "statement_timeout": str(self.statement_ms),
            "lock_timeout": str(self.lock_ms),
            "idle_in_transaction_session_timeout": str(self.idle_in_transaction_ms),
        }


# A peer that is gone without a word is noticed within half a minute, on both sides.
IDLE_S, PROBE_S, PROBES, UNANSWERED_MS = 10, 5, 3, 20_000
_KEEPALIVES: Final = {
    "tcp_keepalives_idle": str(IDLE_S),
    "tcp_keepalives_interval": str(PROBE_S),
    "tcp_keepalives_count": str(PROBES),
    "tcp_user_timeout": str(UNANSWERED_MS),
}
# tcp(7): the same words for our own side.
_OURS: Final = (
    (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1),
    (socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, IDLE_S),
    (socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, PROBE_S),
    (socket.IPPROTO_TCP, socket.TCP_KEEPCNT, PROBES),
    (socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNANSWERED_MS),
)
# Where a pooler took none at the connection's start, or says so and does not.
_SET: Final = "SELECT set_config(name, value, false) FROM unnest($1::text[], $2::text[]) AS given (name, value)"
_PROCESS: Final = "SELECT pg_backend_pid()"
_ROLE: Final = (
    "SELECT NOT pg_is_in_recovery() AND current_setting('default_transaction_read_only') = 'off' AS writes, "
    "CASE WHEN pg_is_in_recovery() THEN '0' ELSE pg_walfile_name(pg_current_wal_lsn()) END AS segment"
)
_TIMELINE_DIGITS: Final = 8
"""Of a segment's name (postgresql.org/docs/15/continuous-archiving.html, timelines)."""
# What another of ours does in a pool meanwhile may hide it once.
_POOLER_LOOKS: Final = 4
_POOLER: Final = (
    "a connection pooler stands before the server and gives each transaction another session; set pool_mode = session "
    "for this database there, or name the server's own port"
)


@dataclass(frozen=True, slots=True)
class _Server:
    """``writes``: it takes them. ``timeline``: how often, in its past, a standby has taken over."""

    connection: asyncpg.Connection
    writes: bool
    timeline: int


async def connected(address: Address, limits: Limits) -> asyncpg.Connection:
    """Of several hosts, to the one that takes writes; of several that do, to the one of the newest timeline.

    Raises OSError, also for what the server says: it can't be used, and why.
    """
    if not address.others:
        return await _to(address, address.host, address.port, limits, CONNECT_S)
    asked = [asyncio.ensure_future(_asked(address, host, port, limits)) for host, port in address.places]
    chosen: asyncpg.Connection | None = None
    try:
        await _some_answers(asked)
        chosen = _newest(address, asked)
    finally:
        await _let_go(asked, chosen)
    return chosen


async def _some_answers(asked: Sequence[asyncio.Future[_Server]]) -> None:
    waiting = set(asked)
    while waiting and not any(_writes(one) for one in asked):
        _, waiting = await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    if waiting:
        await asyncio.wait(waiting, timeout=GRACE_S)


def _writes(asked: asyncio.Future[_Server]) -> bool:
    return asked.done() and asked.exception() is None and asked.result().writes


def _newest(address: Address, asked: Sequence[asyncio.Future[_Server]]) -> asyncpg.Connection:
    servers = [one.result() for one in asked if _writes(one)]
    if not servers:
        said = (
            f"{host}:{port} {one.exception() or 'takes no writes'}"
            for (host, port), one in zip(address.places, asked, strict=True)
        )
        raise ConnectionError(f"no host takes writes: {'; '.join(said)}")
    return max(servers, key=lambda one: one.timeline).connection


async def _let_go(asked: Sequence[asyncio.Future[_Server]], chosen: asyncpg.Connection | None) -> None:
    for one in asked:
        one.cancel()
    for server in await asyncio.gather(*asked, return_exceptions=True):
        if isinstance(server, _Server) and server.connection is not chosen:
            server.connection.terminate()


async def _asked(address: Address, host: str, port: int, limits: Limits) -> _Server:
    connection = await _to(address, host, port, limits, ONE_OF_SEVERAL_S)
    try:
        async with asyncio.timeout(ONE_OF_SEVERAL_S):
            role = await connection.fetchrow(_ROLE)
    except (asyncpg.PostgresError, asyncpg.InterfaceError) as error:
        connection.terminate()
        raise ConnectionError(str(error)) from error
    except BaseException:
        connection.terminate()
        raise
    return _Server(connection, role["writes"], int(role["segment"][:_TIMELINE_DIGITS], 16))


async def _to(address: Address, host: str, port: int, limits: Limits, within_s: float) -> asyncpg.Connection:
    try:
        async with asyncio.timeout(within_s):
            return await _begun(address, host, port, limits)
    except TimeoutError:
        raise ConnectionError(f"no answer within {within_s:.0f} s") from None
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


async def _begun(address: Address, host: str, port: int, limits: Limits) -> asyncpg.Connection:
    given, command_s = {**limits.settings(), **_KEEPALIVES}, 2 * limits.statement_ms / 1000
    try:
        connection = await _opened(address, host, port, command_s, given)
    except asyncpg.ProtocolViolationError:
        # So a pooler refuses settings that it does not know.
        connection = await _opened(address, host, port, command_s, {})
    try:
        if await _is_of_a_pooler(connection):
            await _require_session(connection, address, host, port)
            await connection.execute(_SET, list(given), list(given.values()))
    except BaseException:
        connection.terminate()
        raise
    return connection


class _Connection(asyncpg.Connection):  # type: ignore[misc]  # asyncpg has no types
    def __init__(self, protocol: Any, transport: asyncio.Transport, *more: Any) -> None:
        ours = transport.get_extra_info("socket")
        if ours is not None and ours.family in {socket.AF_INET, socket.AF_INET6}:
            for level, name, value in _OURS:
                ours.setsockopt(level, name, value)
        super().__init__(protocol, transport, *more)


async def _opened(
    address: Address, host: str, port: int, command_s: float, settings: Mapping[str, str]
) -> asyncpg.Connection:
    """What is not said here asyncpg would take from the environment and from files: the password most of all."""
    return await asyncpg.connect(
        host=host,
        port=port,
        database=address.database,
        user=address.user,
        password=address.password or "",
        ssl=_tls(address),
        timeout=CONNECT_S,
        command_timeout=command_s,
        server_settings={"application_name": "pagereeve", **settings},
        connection_class=_Connection,
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


async def _is_of_a_pooler(connection: asyncpg.Connection) -> bool:
    """A server names its own process as the connection begins (postgresql.org/docs/15/protocol-flow.html,
    BackendKeyData); what stands before it can't know which process it will be.
    """
    return bool(connection.get_server_pid() != await _process(connection))


async def _require_session(connection: asyncpg.Connection, address: Address, host: str, port: int) -> None:
    """Locks, limits and prepared statements belong to a session of the server.

    A pooler gives one for the whole connection, or takes it back after each transaction: then another connection soon
    has the same. Raises ConnectionError.
    """
    process = await _process(connection)
    beside = await _opened(address, host, port, CONNECT_S, {})
    try:
        for _ in range(_POOLER_LOOKS):
            if await _process(beside) == process or await _process(connection) != process:
                raise ConnectionError(f"sessions are not ours alone: {_POOLER}")
    finally:
        beside.terminate()


async def _process(connection: asyncpg.Connection) -> int:
    # A statement that is prepared is known in its own transaction at least.
    async with connection.transaction():
        return int(await connection.fetchval(_PROCESS))


def _words(said: str) -> str:
    if "prepared statement" in said or "transaction blocks not allowed" in said:
        return f"{said}: {_POOLER}"
    return said
