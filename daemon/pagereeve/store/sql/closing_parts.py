"""A period's parts on their way in: many small transactions, of which the last one alone makes it closed.

Each part lies under a row of ``closing_period`` until then, so that what a killed process leaves is found and removed.
That row is also what the parts rest on: who erases a person, closes another period, or begins to close the same one
takes the row away, and the attempt is told at its next step.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, bindparam, delete, func, insert, select, tuple_, update

from pagereeve.ports.closing import Closing, ClosingAttempt, NotClosed
from pagereeve.store.sql import tables as schema

GROUP_BYTES: Final = 512 * 1_024
"""Of parts in one transaction, or one part: some milliseconds, as a commit of many events."""
DROPPED_AT_ONCE: Final = 32

_PERIOD: Final = schema.closed_period.c
_UNDER_WAY: Final = schema.closing_period.c
_PART: Final = schema.closed_part.c
# Locked where others write too: an attempt is not taken away while it stores.
_ATTEMPT: Final = select(_UNDER_WAY.attempt).where(_UNDER_WAY.name == bindparam("period")).with_for_update()
_COUNT: Final = select(func.count()).where(_PART.period == bindparam("name"))
_CLOSED: Final = select(_PERIOD.name).where(_PERIOD.name == bindparam("period"))
_VOID: Final = ""


@dataclass(frozen=True, slots=True)
class PartGroup:
    """``first``: the number of the first of them."""

    first: int
    bodies: Sequence[bytes]


def groups_of(parts: Sequence[bytes], most_bytes: int = GROUP_BYTES) -> Iterator[PartGroup]:
    """In order, at least one; each no longer than that, or of one part."""
    first, size_bytes = 0, 0
    for number, body in enumerate(parts):
        if number > first and size_bytes + len(body) > most_bytes:
            yield PartGroup(first, parts[first:number])
            first, size_bytes = number, 0
        size_bytes += len(body)
    yield PartGroup(first, parts[first:])


def begin_closing(connection: Connection, mine: ClosingAttempt, since_us: int) -> None:
    """In the place of any other attempt at the same period."""
    with connection.begin():
        known = connection.execute(_ATTEMPT, {"period": mine.name}).scalar()
        row = {"attempt": mine.attempt, "from_us": mine.from_us, "to_us": mine.to_us, "since_us": since_us}
        if known is None:
            connection.execute(insert(schema.closing_period), {"name": mine.name, **row})
        else:
            connection.execute(update(schema.closing_period).where(_UNDER_WAY.name == mine.name), row)


def drop_some(connection: Connection, mine: ClosingAttempt) -> bool:
    """Parts of an attempt before this one; whether there may be more. Raises NotClosed."""
    with connection.begin():
        require_attempt(connection, mine)
        return _drop(connection, mine.name)


def store_group(connection: Connection, mine: ClosingAttempt, group: PartGroup) -> None:
    """Raises NotClosed."""
    with connection.begin():
        require_open(connection, mine)
        require_attempt(connection, mine)
        insert_parts(connection, mine.name, group)


def give_up(connection: Connection, mine: ClosingAttempt) -> bool:
    """What it stored goes, some at once; whether there may be more. Where another attempt took its place: nothing."""
    with connection.begin():
        known = connection.execute(_ATTEMPT, {"period": mine.name}).scalar()
        if known not in {mine.attempt, _VOID}:
            return False
        more = _drop(connection, mine.name)
        if not more:
            connection.execute(delete(schema.closing_period).where(_UNDER_WAY.name == mine.name))
        return more


def forget_attempts(connection: Connection) -> None:
    """At a start, where nobody else writes: what a killed process left."""
    with connection.begin():
        rows = connection.execute(select(schema.closing_period)).all()
    for row in rows:
        while give_up(connection, ClosingAttempt(row.name, row.from_us, row.to_us, row.attempt)):
            pass


def insert_parts(connection: Connection, period: str, group: PartGroup) -> None:
    bodies = [{"period": period, "number": group.first + nth, "body": body} for nth, body in enumerate(group.bodies)]
    if bodies:
        connection.execute(insert(schema.closed_part), bodies)


def require_open(connection: Connection, one: ClosingAttempt | Closing) -> None:
    """In the caller's transaction. Raises NotClosed where what is closed has its name or shares an instant with it."""
    shared = (_PERIOD.from_us < one.to_us) & (_PERIOD.to_us > one.from_us)
    other = connection.execute(select(_PERIOD.name).where((_PERIOD.name == one.name) | shared).limit(1)).scalar()
    if other is not None:
        raise NotClosed(f"{one.name} can't be closed: {other} is closed already, and what is closed stays so")


def require_attempt(connection: Connection, mine: ClosingAttempt) -> None:
    """In the caller's transaction. Raises NotClosed."""
    if connection.execute(_ATTEMPT, {"period": mine.name}).scalar() != mine.attempt:
        raise NotClosed(
            f"{mine.name} is not closed: what its rows rest on changed meanwhile (it was begun to be closed again, "
            "another period was closed, or a person was erased); close it again"
        )


def require_parts(connection: Connection, period: str, parts: int) -> None:
    """In the caller's transaction: all of them are there, and no other. Raises NotClosed."""
    stored = connection.execute(_COUNT, {"name": period}).scalar_one()
    if stored != parts:
        raise NotClosed(f"{period} is not closed: {stored} of {parts} parts of its rows are stored; close it again")


def end_attempts(connection: Connection, name: str) -> None:
    """In the transaction that closes the period ``name``: its attempt is over, and those at others rest on less."""
    connection.execute(delete(schema.closing_period).where(_UNDER_WAY.name == name))
    connection.execute(update(schema.closing_period).values(attempt=_VOID))


def drop_attempts(connection: Connection) -> None:
    """In the caller's transaction: parts that are not frozen yet go, and those who store them are told."""
    for name in connection.execute(select(_UNDER_WAY.name)).scalars().all():
        if connection.execute(_CLOSED, {"period": name}).scalar() is None:
            connection.execute(delete(schema.closed_part).where(_PART.period == name))
    connection.execute(delete(schema.closing_period))


def _drop(connection: Connection, period: str) -> bool:
    if connection.execute(_CLOSED, {"period": period}).scalar() is not None:
        return False
    some: Any = select(_PART.period, _PART.number).where(_PART.period == period).limit(DROPPED_AT_ONCE)
    gone = connection.execute(delete(schema.closed_part).where(tuple_(_PART.period, _PART.number).in_(some)))
    return gone.rowcount == DROPPED_AT_ONCE
