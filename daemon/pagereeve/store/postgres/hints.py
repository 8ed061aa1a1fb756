"""Hints in the database: rows that name a worker, and hold for as long as its sign of life is young by the database's
clock.

Each deed is one short transaction on a connection of its own, with limits of its own: whoever is stopped in the middle
holds others up for no longer than these.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from hashlib import sha256
from typing import Final, TypeVar

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from pagereeve.ports.hints import LIFETIME_S, Hint, Standing, printers_of
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.errors import unavailable
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.connecting import Limits
from pagereeve.store.postgres.connections import WriterConnection

Result = TypeVar("Result")

LIMITS: Final = Limits(statement_ms=5_000, lock_ms=2_000, idle_in_transaction_ms=5_000)

_OFFER: Final = (
    "INSERT INTO hint (kind, name) SELECT kind, name FROM unnest($1::text[], $2::text[]) AS one (kind, name) "
    "ON CONFLICT DO NOTHING"
)
_SIGN: Final = (
    "INSERT INTO worker (number, until) VALUES ($1::bigint, clock_timestamp() + $2::float8 * interval '1 second') "
    "ON CONFLICT (number) DO UPDATE SET until = excluded.until RETURNING digest"
)
_KNOW: Final = "UPDATE worker SET digest = $2, printers = $3::text[] WHERE number = $1::bigint"
# A list that is known already is not read again.
_ALIVE: Final = (
    "SELECT number, digest, CASE WHEN digest = ANY($1::text[]) THEN NULL ELSE printers END AS printers FROM worker "
    "WHERE until > clock_timestamp() ORDER BY number"
)
_MINE: Final = "SELECT kind, name FROM hint WHERE worker = $1::bigint"
# FOR UPDATE also passes over those under which a group is just being stored (appending.py, FOR KEY SHARE): whoever
# takes one sees all that was stored under it.
_TAKE: Final = (
    "WITH free AS (SELECT hint.kind, hint.name FROM unnest($2::text[], $3::text[]) WITH ORDINALITY "
    "AS wanted (kind, name, place) JOIN hint ON hint.kind = wanted.kind AND hint.name = wanted.name "
    "WHERE NOT EXISTS (SELECT 1 FROM worker WHERE number = hint.worker AND until > clock_timestamp()) "
    "ORDER BY wanted.place LIMIT $4::bigint FOR UPDATE OF hint SKIP LOCKED) "
    "UPDATE hint SET worker = $1::bigint FROM free WHERE hint.kind = free.kind AND hint.name = free.name "
    "RETURNING hint.kind, hint.name"
)
_GIVE_BACK: Final = (
    "UPDATE hint SET worker = NULL FROM unnest($2::text[], $3::text[]) AS one (kind, name) "
    "WHERE hint.kind = one.kind AND hint.name = one.name AND hint.worker = $1::bigint"
)
_GIVE_ALL_BACK: Final = "UPDATE hint SET worker = NULL WHERE worker = $1::bigint"
_GONE: Final = "DELETE FROM worker WHERE number = $1::bigint"
_ALL_GONE: Final = "DELETE FROM worker"
_LONG_GONE: Final = "DELETE FROM worker WHERE until < clock_timestamp() - interval '1 day'"
# Held for as long as the session of a worker's hints lives: who can take another one's knows that it is over.
WORKER_KEY: Final = 0x7072_776B
_ALIVE_MARK: Final = "SELECT pg_try_advisory_lock($1::integer, $2::integer)"
_IS_OVER: Final = "SELECT pg_try_advisory_xact_lock($1::integer, $2::integer)"
_NUMBERS: Final = 2**31
_INHERIT: Final = "UPDATE hint SET worker = $1::bigint WHERE worker = $2::bigint"


class PostgresHints:
    """ports.hints.Hints. ``worker`` is the fence, which nobody else ever has. ``alone``: whoever opened the journal
    holds the lock of the only one, so that nobody else is alive, whatever signs there are. ``before``: the fence of
    this daemon's last life, as its data folder tells, 0 where none does. What that one held is ours at once if the
    server says that its session is over; it is not where the folder is a copy of one in use.
    """

    def __init__(
        self,
        address: Address,
        worker: int,
        *,
        alone: bool = False,
        before: int = 0,
        limits: Limits = LIMITS,
        lifetime_s: float = LIFETIME_S,
    ) -> None:
        self._name = str(address)
        self._worker = worker
        self._alone = alone
        self._before = before
        self._lifetime_s = lifetime_s
        self._printers: frozenset[str] = frozenset()
        self._digest = ""
        self._lists: dict[str, frozenset[str]] = {}
        self._connection = WriterConnection(address, limits=limits)
        self._connection.check = self._mark_alive

    @property
    def lifetime_s(self) -> float:
        return self._lifetime_s

    async def open(self, known: Collection[Hint]) -> None:
        await self._run(_say(_ALL_GONE if self._alone else _LONG_GONE))
        await self.offer(known)
        if self._before:
            await self._run(self._inherit)

    def _mark_alive(self, connection: Connection) -> None:
        with connection.begin():
            connection.exec_driver_sql(_ALIVE_MARK, (WORKER_KEY, self._worker % _NUMBERS))

    def _inherit(self, connection: Connection) -> None:
        with connection.begin():
            if connection.exec_driver_sql(_IS_OVER, (WORKER_KEY, self._before % _NUMBERS)).scalar_one():
                connection.exec_driver_sql(_INHERIT, (self._worker, self._before))
                connection.exec_driver_sql(_GONE, (self._before,))

    async def offer(self, known: Collection[Hint]) -> None:
        self._printers = printers_of(known)
        self._digest = sha256("\0".join(sorted(self._printers)).encode()).hexdigest()
        await self._run(_say(_OFFER, *_columns(sorted(known))))

    async def renew(self) -> Standing:
        return await self._run(self._signed)

    def _signed(self, connection: Connection) -> Standing:
        with connection.begin():
            said = connection.exec_driver_sql(_SIGN, (self._worker, self._lifetime_s)).scalar_one()
            if said != self._digest:
                connection.exec_driver_sql(_KNOW, (self._worker, self._digest, sorted(self._printers)))
            lists = self._lists | {self._digest: self._printers}
            alive = connection.exec_driver_sql(_ALIVE, (list(lists),)).all()
            mine = connection.exec_driver_sql(_MINE, (self._worker,)).all()
        lists |= {row.digest: frozenset(row.printers) for row in alive if row.printers is not None}
        self._lists = {row.digest: lists[row.digest] for row in alive}
        knows = {row.number: lists[row.digest] for row in alive}
        return Standing(self._worker, tuple(knows), frozenset(Hint(*row) for row in mine), knows)

    async def take(self, wanted: Sequence[Hint], most: int) -> Sequence[Hint]:
        if most <= 0 or not wanted:
            return ()
        taken = set(await self._run(_rows(_TAKE, self._worker, *_columns(wanted), most)))
        return [one for one in dict.fromkeys(wanted) if one in taken]

    async def give_back(self, hints: Collection[Hint]) -> None:
        if hints:
            await self._run(_say(_GIVE_BACK, self._worker, *_columns(sorted(hints))))

    async def close(self) -> None:
        with suppress(JournalUnavailable):  # they expire by themselves
            await self._run(_say(_GIVE_ALL_BACK, self._worker))
            await self._run(_say(_GONE, self._worker))
        await self._connection.close()

    async def _run(self, work: Callable[[Connection], Result]) -> Result:
        try:
            return await self._connection.run(work)
        except (DBAPIError, OSError) as error:
            raise unavailable(self._name, error) from error


def _columns(hints: Sequence[Hint]) -> tuple[list[str], list[str]]:
    return [str(one.kind) for one in hints], [one.name for one in hints]


def _say(statement: str, *given: object) -> Callable[[Connection], None]:
    def work(connection: Connection) -> None:
        with connection.begin():
            connection.exec_driver_sql(statement, given)

    return work


def _rows(statement: str, *given: object) -> Callable[[Connection], list[Hint]]:
    def work(connection: Connection) -> list[Hint]:
        with connection.begin():
            return [Hint(*row) for row in connection.exec_driver_sql(statement, given)]

    return work
