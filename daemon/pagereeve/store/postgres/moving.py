"""A database that a journal is moved into: begun, filled in bounded transactions, read back, and then open to a daemon.

``journal_move`` (one row) says which journal in which state is being moved, ``journal_move_table`` how far each table
is; the latter changes in the transaction that stores the rows. Both stand there before anything else does and go in the
last transaction: meanwhile nobody opens the database (upgrade.py), and a move that was killed goes on where it was.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Collection, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, TypeVar

import asyncpg
from sqlalchemy import Connection, LargeBinary, inspect
from sqlalchemy.exc import DBAPIError

from pagereeve.domain.values.amounts import amount
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.errors import NotMoved, cant_open, not_let_in
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.connecting import connected
from pagereeve.store.postgres.connections import READER_LIMITS, WRITER_LIMITS, WriterConnection
from pagereeve.store.postgres.opening_check import require_fit
from pagereeve.store.postgres.revisions import REVISION
from pagereeve.store.postgres.upgrade import MOVE_TABLES, ONE_AT_A_TIME, other_tables, upgrade
from pagereeve.store.records.moved_rows import RowsSum
from pagereeve.store.sql.moved_tables import MOVED, MovedTable

Result = TypeVar("Result")

NAMED_MAX: Final = 1_000
"""So many rows of a table are named that are odd, or damaged."""
READ_AT_ONCE: Final = 500
READ_AT_ONCE_LARGE: Final = 8
"""Of a table whose rows hold frozen rows of whole periods."""
_MAKE: Final = (
    "CREATE TABLE journal_move (origin text NOT NULL, sha256 text NOT NULL, revision text NOT NULL)",
    (
        "CREATE TABLE journal_move_table (name text PRIMARY KEY, upto bigint NOT NULL, row_count bigint NOT NULL, "
        "digest text NOT NULL, odd text[] NOT NULL, damaged text[] NOT NULL)"
    ),
)
_BEGIN: Final = "INSERT INTO journal_move (origin, sha256, revision) VALUES ($1, $2, $3)"
_BEGUN: Final = "SELECT origin, sha256, revision FROM journal_move"
_STATES: Final = "SELECT name, upto, row_count, digest, odd, damaged FROM journal_move_table"
_MOVE_ON: Final = (
    "INSERT INTO journal_move_table (name, upto, row_count, digest, odd, damaged) VALUES ($1, $2, $3, $4, $5, $6) "
    "ON CONFLICT (name) DO UPDATE SET upto = excluded.upto, row_count = excluded.row_count, digest = excluded.digest, "
    "odd = excluded.odd, damaged = excluded.damaged"
)
_HELD: Final = "SELECT origin, size FROM seal"


@dataclass(frozen=True, slots=True)
class TableState:
    """What of a table is stored: all rows up to the number ``upto`` that they had, and their sum. Of those that are
    ``odd`` (in another form than in the file) or ``damaged`` (as they were) some are named.
    """

    upto: int
    sum: RowsSum
    odd: tuple[str, ...] = ()
    damaged: tuple[str, ...] = ()

    def then(self, upto: int, rows: Sequence[Sequence[Any]], odd: Sequence[str], damaged: Sequence[str]) -> TableState:
        """Once these are stored too."""
        total = RowsSum(self.sum.rows, self.sum.total)
        for row in rows:
            total.add(row)
        return TableState(upto, total, (*self.odd, *odd)[:NAMED_MAX], (*self.damaged, *damaged)[:NAMED_MAX])


@dataclass(frozen=True, slots=True)
class Moving:
    """Which journal, and the state of its file."""

    origin: str
    facts: int
    sha256: str


class MoveTarget:
    """``states``: what stood there when it was opened, by table; empty where this move is the first."""

    def __init__(self, address: Address, connection: WriterConnection, states: Mapping[str, TableState]) -> None:
        self.states = dict(states)
        self._address = address
        self._connection = connection

    async def add(self, moved: MovedTable, rows: Sequence[Sequence[Any]], now: TableState) -> None:
        """Rows and state in one transaction. Raises NotMoved."""
        await self._run(partial(_added, moved=moved, rows=rows, now=now))
        self.states[moved.name] = now

    async def sum_of(self, moved: MovedTable) -> AsyncIterator[RowsSum]:
        """Of the rows that stand there, read back; after each some, the last one whole. Raises NotMoved."""
        large = any(isinstance(one.type, LargeBinary) for one in moved.table.columns)
        at_once = READ_AT_ONCE_LARGE if large else READ_AT_ONCE
        columns = ", ".join(f'"{one}"' for one in moved.columns)
        found = RowsSum()
        try:
            connection = await connected(self._address, READER_LIMITS)
            try:
                async with connection.transaction(isolation="repeatable_read", readonly=True):
                    cursor = await connection.cursor(f'SELECT {columns} FROM "{moved.name}"')  # noqa: S608 - own names
                    while rows := await cursor.fetch(at_once):
                        for row in rows:
                            found.add(tuple(row))
                        yield found
            finally:
                await connection.close()
        except (asyncpg.PostgresError, asyncpg.InterfaceError, OSError) as error:
            raise _stopped(self._address, error) from error
        yield found

    async def prepare(self) -> None:
        """Once all rows are there: numbers go on behind them, and the server knows how many there are."""
        await self._run(_prepared)

    async def finish(self) -> None:
        """From now on a daemon opens it. Raises NotMoved."""
        await self._run(_finished)

    async def _run(self, work: Callable[[Connection], Result]) -> Result:
        try:
            return await self._connection.run(work)
        except (DBAPIError, asyncpg.PostgresError, asyncpg.InterfaceError, OSError, JournalUnavailable) as error:
            raise _stopped(self._address, error) from error


@asynccontextmanager
async def move_target(address: Address, moving: Moving) -> AsyncIterator[MoveTarget]:
    """An empty database, or one that an earlier move of the same journal began. No daemon may work with it, nor another
    move. Raises CantOpen or one of its kinds, NotMoved.
    """
    name = str(address)
    connection = WriterConnection(address, company="alone")
    try:
        try:
            await connection.run(partial(require_fit, name=name, limits=WRITER_LIMITS))
            await connection.run(partial(_begun, name=name, moving=moving))
            await connection.run(partial(upgrade, name=name, moving=True))
            states = await connection.run(_states)
        except JournalUnavailable as error:
            raise not_let_in(name, error, "a daemon or another move works with it; stop that one first") from error
        except (DBAPIError, OSError) as error:
            raise cant_open(name, error) from error
        yield MoveTarget(address, connection, states)
    finally:
        await connection.close()


def _begun(connection: Connection, name: str, moving: Moving) -> None:
    with connection.begin():
        connection.exec_driver_sql(ONE_AT_A_TIME)
        tables = set(inspect(connection).get_table_names())
        if tables.intersection(MOVE_TABLES):
            _require_same(connection, name, moving)
        elif tables:
            _refuse(connection, name, tables, moving)
        else:
            for statement in _MAKE:
                connection.exec_driver_sql(statement)
            connection.exec_driver_sql(_BEGIN, (moving.origin, moving.sha256, REVISION))


def _require_same(connection: Connection, name: str, moving: Moving) -> None:
    origin, sha256, revision = connection.exec_driver_sql(_BEGUN).one()
    anew = "make the database anew (DROP DATABASE, CREATE DATABASE), and move again"
    if origin != moving.origin:
        raise NotMoved(
            f"journal {name}: a move of another journal ({origin}) into it is not finished; name an empty database. "
            "Nothing was changed"
        )
    if sha256 != moving.sha256:
        raise NotMoved(
            f"journal {name}: a move into it began when the file was another: somebody wrote to it since, as a daemon "
            f"does. What stands in the database is none of its moments: {anew}. Nothing was changed"
        )
    if revision != REVISION:
        raise NotMoved(
            f"journal {name}: another version of Pagereeve began to move into it (schema {revision}, not {REVISION}): "
            f"{anew}, or go on with that version. Nothing was changed"
        )


def _refuse(connection: Connection, name: str, tables: Collection[str], moving: Moving) -> None:
    if not {"alembic_version", "seal"} <= set(tables):
        raise other_tables(name, tables)
    held = connection.exec_driver_sql(_HELD).one_or_none()
    if held is None:
        problem = "holds a journal's tables, and no journal that could be told; name an empty database"
    elif held.origin == moving.origin:
        problem = (
            f"holds this journal already ({amount(held.size, 'fact')}; the file has {moving.facts}): a move into it "
            "was finished. Let the settings name it, and start the daemon"
        )
    else:
        problem = f"holds another journal ({held.origin}, {amount(held.size, 'fact')}); name an empty database"
    raise NotMoved(f"journal {name}: it {problem}. Nothing was changed")


def _states(connection: Connection) -> Mapping[str, TableState]:
    with connection.begin():
        rows = connection.exec_driver_sql(_STATES).all()
    return {
        row.name: TableState(row.upto, RowsSum.of(row.row_count, row.digest), tuple(row.odd), tuple(row.damaged))
        for row in rows
    }


def _added(connection: Connection, moved: MovedTable, rows: Sequence[Sequence[Any]], now: TableState) -> None:
    with connection.begin():
        state = (moved.name, now.upto, now.sum.rows, now.sum.digest, list(now.odd), list(now.damaged))
        connection.exec_driver_sql(_MOVE_ON, state)
        # Within the same transaction, which the statement before has begun.
        driver: Any = connection.connection.dbapi_connection
        driver.run_async(lambda raw: raw.copy_records_to_table(moved.name, records=rows, columns=moved.columns))


def _prepared(connection: Connection) -> None:
    with connection.begin():
        for moved in MOVED:
            numbered = moved.table.autoincrement_column
            if numbered is not None:
                connection.exec_driver_sql(
                    f"SELECT setval(pg_get_serial_sequence('{moved.name}', '{numbered.name}'), "  # noqa: S608 - own names
                    f'coalesce(max("{numbered.name}"), 0) + 1, false) FROM "{moved.name}"'
                )
            connection.exec_driver_sql(f'ANALYZE "{moved.name}"')


def _finished(connection: Connection) -> None:
    with connection.begin():
        for name in MOVE_TABLES:
            connection.exec_driver_sql(f"DROP TABLE {name}")


def _stopped(address: Address, error: BaseException) -> NotMoved:
    """What the server says, without its details: they name values."""
    reason = getattr(error, "orig", None) or error
    said = str(reason.args[0]) if reason.args and isinstance(reason, asyncpg.PostgresError) else str(reason)
    return NotMoved(
        f"the move into {address} was stopped: {said}. What is stored there stays, and no daemon opens it; run the "
        "same command again, and it goes on"
    )
