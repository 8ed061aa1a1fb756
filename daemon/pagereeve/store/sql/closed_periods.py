"""Closed periods over SQL: their rows read, frozen, and freed of an erased person's name."""

from __future__ import annotations

import asyncio
import hashlib
import zlib
from collections.abc import AsyncIterator, Collection, Sequence
from typing import Any, Final

from sqlalchemy import Connection, Row, Select, bindparam, delete, func, insert, select, update

from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.ports.closing import CLOSED_MAX, ClosedPeriod, Closing, ClosingAttempt, NotClosed, Touch
from pagereeve.ports.erasing import Erasure
from pagereeve.store.records.frozen_rows import Unpacker, packed, unpacked, without_person
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.closing_parts import (
    PartGroup,
    drop_attempts,
    end_attempts,
    insert_parts,
    require_attempt,
    require_open,
    require_parts,
)
from pagereeve.store.sql.snapshots import Reader

_PERIOD: Final = schema.closed_period.c
_PART: Final = schema.closed_part.c
_ALL: Final = select(schema.closed_period).order_by(_PERIOD.to_us).limit(CLOSED_MAX)
_ONE_PART: Final = select(_PART.body).where(_PART.period == bindparam("name"), _PART.number == bindparam("place"))
_TOUCH: Final = schema.closed_touched.c
_TOUCHED: Final = select(schema.closed_touched).order_by(_TOUCH.number, _TOUCH.period, _TOUCH.printer)
_NEWEST_TOUCHED: Final = select(_PERIOD.touched).order_by(_PERIOD.to_us.desc()).limit(1)
_CLEAN: Final = (
    update(schema.closed_part)
    .where(_PART.period == bindparam("of"), _PART.number == bindparam("place"))
    .values(body=bindparam("now_body"))
)
_BROKEN: Final = (ValueError, KeyError, TypeError, AttributeError, OSError, EOFError, zlib.error)


def _heads() -> Select[Any]:
    """A step down an index for each timeline, and one for its last fact."""
    table = schema.fact.c
    first = select(func.min(table.printer).label("name")).cte("timelines", recursive=True)
    step = select(func.min(table.printer)).where(table.printer > first.c.name).scalar_subquery()
    names = first.union_all(select(step).where(first.c.name.is_not(None)))
    last = select(func.max(table.seq)).where(table.printer == names.c.name).scalar_subquery()
    return select(names.c.name, last.label("seq"))


_HEADS: Final = _heads()


class ClosedPeriodReads:
    """ports.closing.ClosedReads."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def closed_periods(self) -> Sequence[ClosedPeriod]:
        return [_period_of(row) for row in await self._reader.rows(_ALL)]

    async def frozen_rows(
        self, closed: ClosedPeriod, printers: Collection[str] | None = None
    ) -> AsyncIterator[FrozenRow]:
        """A part at a time, each made into rows beside the loop."""
        unpacker, number = Unpacker(), 0
        while True:
            part = await self._reader.first(_part(closed.name, number))
            if part is None:
                break
            try:
                rows = await asyncio.to_thread(unpacker.rows_of, part.body, printers)
            except _BROKEN as error:
                raise _not_as_frozen(closed.name) from error
            for row in rows:
                yield row
            number += 1
        if (unpacker.rows, unpacker.sha256) != (closed.rows, closed.sha256_now):
            raise _not_as_frozen(closed.name)

    async def closed_touched(self) -> Sequence[Touch]:
        return [Touch(row.period, row.printer, row.number) for row in await self._reader.rows(_TOUCHED)]

    async def timeline_heads(self) -> Sequence[tuple[str, int]]:
        return [(row.name, row.seq) for row in await self._reader.rows(_HEADS) if row.name is not None]

    async def first_pages_us(self) -> int | None:
        started = await self._reader.first(select(func.min(schema.charge.c.started_us)))
        closes = await self._reader.first(select(func.min(schema.posting.c.closes_us)))
        return min((row[0] for row in (started, closes) if row is not None and row[0] is not None), default=None)


def _part(name: str, number: int) -> Any:
    return select(_PART.body).where(_PART.period == name, _PART.number == number)


def _not_as_frozen(name: str) -> NotClosed:
    return NotClosed(
        f"the frozen rows of {name} are not those that were frozen: the journal is damaged or was changed; "
        "restore it from a backup (pagereeve verify looks over all of it)"
    )


def _period_of(row: Row[Any]) -> ClosedPeriod:
    closing = Closing(
        name=row.name,
        zone=row.zone,
        database=row.zone_database,
        from_us=row.from_us,
        to_us=row.to_us,
        at_us=row.closed_us,
        by=row.closed_by,
        reason=row.reason,
        journal=row.journal,
        size=row.size,
        head=row.head,
        version=row.version,
    )
    return ClosedPeriod(closing, row.frozen_rows, row.sha256, row.erased_sha256 or "")


def freeze(connection: Connection, closed: ClosedPeriod, mine: ClosingAttempt, last: PartGroup, touched: int) -> None:
    """In the caller's transaction, with the fact that tells of it: the last parts, and the row that makes it closed.
    What was touched up to a number is among the parts.

    Raises NotClosed.
    """
    one = closed.closing
    require_open(connection, one)
    require_attempt(connection, mine)
    insert_parts(connection, one.name, last)
    require_parts(connection, one.name, last.first + len(last.bodies))
    row = {
        "name": one.name,
        "zone": one.zone,
        "zone_database": one.database,
        "from_us": one.from_us,
        "to_us": one.to_us,
        "closed_us": one.at_us,
        "closed_by": one.by,
        "reason": one.reason,
        "version": one.version,
        "journal": one.journal,
        "size": one.size,
        "head": one.head,
        "frozen_rows": closed.rows,
        "sha256": closed.sha256,
        "touched": max(touched, connection.execute(_NEWEST_TOUCHED).scalar() or 0),
    }
    connection.execute(insert(schema.closed_period), row)
    end_attempts(connection, one.name)
    connection.execute(delete(schema.closed_touched).where(_TOUCH.number <= touched))


def erase_frozen(connection: Connection, erasure: Erasure) -> Sequence[str]:
    """In the caller's transaction; in which periods the person stood. What is being closed begins anew."""
    drop_attempts(connection)
    known = connection.execute(_ALL).all()
    return [row.name for row in known if _erase_in(connection, row.name, erasure)]


def _erase_in(connection: Connection, period: str, erasure: Erasure) -> bool:
    digest, changed = hashlib.sha256(), dict[int, bytes]()
    number = 0
    while (body := connection.execute(_ONE_PART, {"name": period, "place": number}).scalar()) is not None:
        lines = unpacked(body)
        clean = [without_person(line, erasure) for line in lines]
        if clean != lines:
            changed[number] = packed(clean)
        for line in clean:
            digest.update(line)
        number += 1
    if not changed:
        return False
    connection.execute(insert(schema.closed_erasing), {"name": period})
    for place, body in changed.items():
        connection.execute(_CLEAN, {"of": period, "place": place, "now_body": body})
    sha256 = digest.hexdigest()
    connection.execute(update(schema.closed_period).where(_PERIOD.name == period).values(erased_sha256=sha256))
    connection.execute(delete(schema.closed_erasing).where(schema.closed_erasing.c.name == period))
    return True
