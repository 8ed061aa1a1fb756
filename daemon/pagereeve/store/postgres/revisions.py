"""Which revision of the tables a program has, and from which one on a program may still work with a database.

``schema_least`` (one row) holds the latter, as a number. Each session that writes holds, shared and for as long as it
lives, the advisory lock of its program's revision: so the server knows which revisions are at work, and the number is
raised only by a transaction that has the locks of all below it (upgrade.py). Whoever begins a session takes its lock
first, and then looks at the number: no older program writes beside or behind that transaction.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection

REVISION: Final = "p0001"
"""The newest that this program knows."""
LOCK_CLASS: Final = 0x5067_7276
"""Of the advisory locks; the other half of each is a revision's number."""

_HOLD: Final = "SELECT pg_advisory_lock_shared($1::int4, $2::int4)"
_TAKE: Final = "SELECT pg_try_advisory_xact_lock($1::int4, $2::int4)"
_IS_THERE: Final = "SELECT to_regclass('schema_least') IS NOT NULL"
_READ: Final = "SELECT number FROM schema_least"
_RAISE: Final = "UPDATE schema_least SET number = greatest(number, $1::int4)"
# Sessions that hold the lock of an older revision (postgresql.org/docs/15/view-pg-locks.html says what stands where).
_OLDER: Final = (
    "SELECT l.objid::int8 AS number, coalesce(host(a.client_addr), 'this machine') AS place, count(*) AS sessions "
    "FROM pg_locks AS l JOIN pg_stat_activity AS a USING (pid) WHERE l.locktype = 'advisory' AND l.objsubid = 2 "
    "AND l.granted AND l.pid <> pg_backend_pid() AND l.classid::int8 = $1::int8 AND l.objid::int8 < $2::int8 "
    "AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database()) "
    "GROUP BY 1, 2 ORDER BY 1, 2 LIMIT 20"
)


def number_of(revision: str) -> int:
    """p0012 is 12. Raises ValueError."""
    return int(revision.removeprefix("p"))


def revision_of(number: int) -> str:
    return f"p{number:04d}"


OWN: Final = number_of(REVISION)


def hold(connection: Connection) -> None:
    """For as long as the session lives. Waits (lock_timeout) while older revisions are just shut out."""
    with connection.begin():
        connection.exec_driver_sql(_HOLD, (LOCK_CLASS, OWN))


def least(connection: Connection) -> int:
    """Within a transaction. 0 where there is no journal."""
    if not connection.exec_driver_sql(_IS_THERE).scalar_one():
        return 0
    return int(connection.exec_driver_sql(_READ).scalar_one())


def too_old(number: int) -> str:
    """What to say where this program is older than ``number``."""
    return (
        f"was brought to schema {revision_of(number)} or later by a newer version, and this one knows {REVISION} "
        "alone: it stores nothing more there. Start the newer version in its place"
    )


def shut_out_older(connection: Connection, number: int) -> bool:
    """Within the transaction, until its end: no program of a revision below ``number`` is at work. False: one is."""
    taken = (connection.exec_driver_sql(_TAKE, (LOCK_CLASS, one)).scalar_one() for one in range(1, number))
    return all(taken)


def raise_least(connection: Connection, number: int) -> None:
    connection.exec_driver_sql(_RAISE, (number,))


def older_programs(connection: Connection, number: int) -> str:
    """Who works below ``number``, in words; empty where nobody does."""
    rows = connection.exec_driver_sql(_OLDER, (LOCK_CLASS, number)).all()
    return ", ".join(f"schema {revision_of(row.number)} at {row.place} ({row.sessions})" for row in rows)
