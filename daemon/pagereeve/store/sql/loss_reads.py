"""Rows of a period of which pages are lost: ports.losses.LossReads over SQL, some printers at a time."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from typing import Any

from sqlalchemy import CTE, and_, or_, select
from sqlalchemy.ext.asyncio import AsyncConnection

from pagereeve.domain.accounts.membership import StretchIndex
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, Charge, Posting, Stretch
from pagereeve.store.records.ledger_records import charge_of, posting_of, stretch_of
from pagereeve.store.records.segment_records import by_part
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.period_reads import in_lot, legs_of_posting, lots, printer_lots, within
from pagereeve.store.sql.snapshots import Reader

_CHARGE = schema.charge.c
_LEG = schema.leg.c
_POSTING = schema.posting.c
_STRETCH = schema.stretch.c


class LossReads:
    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def house_postings(self, from_us: int, to_us: int) -> AsyncIterator[tuple[Posting, Stretch | None]]:
        for first, last in await printer_lots(self._reader):
            async with self._reader.snapshot() as connection:
                found = await _house_postings(connection, (from_us, to_us), (first, last))
            for one in found:
                yield one

    async def doubtful_charges(self, from_us: int, to_us: int) -> AsyncIterator[Charge]:
        for between in await printer_lots(self._reader):
            each = lots([(from_us, to_us)], between)
            here = and_(in_lot(_CHARGE, each), within(_CHARGE.started_us, each))
            doubtful = or_(_CHARGE.unproven != 0, _CHARGE.verdict.is_(None))
            wanted = select(schema.charge).select_from(each.join(schema.charge, here)).where(doubtful)
            for row in await self._reader.rows(wanted):
                yield charge_of(row)


async def _house_postings(
    connection: AsyncConnection, span: tuple[int, int], between: tuple[str, str]
) -> Iterator[tuple[Posting, Stretch | None]]:
    house = _house(span, between)
    mine = and_(*_same_segment(_POSTING, house), _POSTING.ordinal == house.c.ordinal)
    postings = select(schema.posting).select_from(house.join(schema.posting, mine))
    its_legs = and_(*_same_segment(_LEG, house), _LEG.ordinal == house.c.ordinal)
    legs = select(schema.leg).select_from(house.join(schema.leg, its_legs))
    its = and_(
        *_same_segment(_STRETCH, house),
        *(_STRETCH[name] == house.c[name] for name in ("run", "channel", "opens_us", "closes_us")),
    )
    stretches = select(schema.stretch).select_from(house.join(schema.stretch, its)).distinct()
    rows = (await connection.execute(postings)).all()
    parts = by_part((await connection.execute(legs.order_by(*schema.leg.primary_key))).all())
    index = StretchIndex(stretch_of(row) for row in (await connection.execute(stretches)).all())
    known = [posting_of(row, parts.get((row.printer, row.anchor_us, row.ordinal), ())) for row in rows]
    return ((posting, index.of(posting)) for posting in known)


def _house(span: tuple[int, int], between: tuple[str, str]) -> CTE:
    """Postings of which a house account received pages, each of them once."""
    each = lots([span], between)
    names = ("printer", "anchor_us", "ordinal", "run", "channel", "opens_us", "closes_us")
    legs = each.join(schema.leg, and_(in_lot(_LEG, each), _LEG.account.in_(HOUSE_ACCOUNTS)))
    here = and_(legs_of_posting(), within(_POSTING.closes_us, each))
    columns = [_POSTING[name] for name in names]
    return select(*columns).select_from(legs.join(schema.posting, here)).distinct().cte("house")


def _same_segment(table: Any, house: CTE) -> tuple[Any, ...]:
    return table.printer == house.c.printer, table.anchor_us == house.c.anchor_us
