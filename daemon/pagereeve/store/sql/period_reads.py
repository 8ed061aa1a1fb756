"""Sums of a period's rows, added up by the database: ports.reads.Reads over SQL."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, and_, exists, func, not_, select
from sqlalchemy.ext.asyncio import AsyncConnection

from pagereeve.domain.accounts.period_sums import ChargesBy, HouseSum, MeterSum, PeriodSums, mixed_runs
from pagereeve.domain.accounts.totals import OPEN, Figure, Total, Totals
from pagereeve.domain.ledger import HOUSE_ACCOUNTS, RowSegment
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.ledger_reads import LedgerReads, segments_at

_CHARGE = schema.charge.c
_STRETCH = schema.stretch.c
_POSTING = schema.posting.c
_LEG = schema.leg.c


class PeriodReads(LedgerReads):
    async def charge_totals(self, by: ChargesBy, from_us: int, to_us: int) -> Sequence[Total]:
        return _totals(by, await self._reader.rows(_charge_sums(by, from_us, to_us)))

    async def edge_segments(self, from_us: int, to_us: int) -> Sequence[RowSegment]:
        async with self._reader.snapshot() as connection:
            return await _edge_segments(connection, from_us, to_us)

    async def period_segments(self, printer: str, from_us: int, to_us: int) -> Sequence[RowSegment]:
        """ports.closing.ClosedReads."""
        async with self._reader.snapshot() as connection:
            anchors = set((await connection.execute(_started_at(printer, from_us, to_us))).scalars())
            anchors |= set((await connection.execute(_closed_at(printer, from_us, to_us))).scalars())
            return await segments_at(connection, [(printer, anchor_us) for anchor_us in sorted(anchors)])

    async def period_sums(self, from_us: int, to_us: int) -> PeriodSums:
        async with self._reader.snapshot() as connection:
            charges = (await connection.execute(_charge_sums("printer", from_us, to_us))).all()
            sums = (await connection.execute(_house_sums(from_us, to_us))).all()
            meters = [
                MeterSum(printer, *row)
                for printer in await _printers(connection, from_us, to_us)
                for row in (await connection.execute(_meter_sums(printer, from_us, to_us))).all()
            ]
            mixed = mixed_runs(meters)
            house = [HouseSum(*row) for row in sums if (row.printer, row.run, row.channel) not in mixed]
            for printer in sorted({run[0] for run in mixed}):
                rows = (await connection.execute(_house_sums_by_unit(printer, from_us, to_us))).all()
                house += [HouseSum(*row) for row in rows if (row.printer, row.run, row.channel) in mixed]
            house.sort(key=lambda one: (one.printer, one.run, one.channel, one.account, one.unit))
            edges = await _edge_segments(connection, from_us, to_us)
        return PeriodSums(
            tuple(_totals("printer", charges)),
            tuple(meters),
            tuple(replace(one, pages=int(one.pages)) for one in house),
            tuple(edges),
        )


def _charge_sums(by: ChargesBy, from_us: int, to_us: int) -> Select[Any]:
    who = _CHARGE.owner if by == "person" else _CHARGE.printer
    keys = (who.label("who"), _CHARGE.channel, _CHARGE.unit, _CHARGE.verdict)
    return (
        select(
            *keys,
            func.count().label("releases"),
            func.min(_CHARGE.started_us).label("first_us"),
            func.coalesce(func.sum(_CHARGE.released), 0).label("released"),
            func.count(_CHARGE.released).label("released_times"),
            func.coalesce(func.sum(_CHARGE.counted), 0).label("counted"),
            func.count(_CHARGE.counted).label("counted_times"),
            func.sum(_CHARGE.charged).label("charged"),
            func.sum(_CHARGE.unproven).label("unproven"),
        )
        .where(_within(_CHARGE.started_us, from_us, to_us))
        .group_by(who, _CHARGE.channel, _CHARGE.unit, _CHARGE.verdict)
    )


def _totals(by: ChargesBy, rows: Sequence[Row[Any]]) -> list[Total]:
    """A row for each verdict comes to one line."""
    summed = Totals(by)
    for row in rows:
        part = Total(
            row.who,
            row.channel,
            row.unit or "",
            releases=row.releases,
            released=Figure(int(row.released), row.released_times, row.releases - row.released_times),
            counted=Figure(int(row.counted), row.counted_times, row.releases - row.counted_times),
            charged=int(row.charged),
            unproven=int(row.unproven),
        )
        part.verdicts[row.verdict or OPEN] = row.releases
        if by == "person":
            part.write(row.who, row.first_us)
        # Nobody is named here: each login is its own person at any instant.
        summed.merge(row.who, part, 0)
    return summed.lines()


def _house_sums(from_us: int, to_us: int) -> Select[Any]:
    same = and_(
        _LEG.printer == _POSTING.printer, _LEG.anchor_us == _POSTING.anchor_us, _LEG.ordinal == _POSTING.ordinal
    )
    keys = (_POSTING.printer, _POSTING.run, _POSTING.channel, _LEG.account)
    return (
        select(*keys, func.sum(_LEG.pages).label("pages"))
        .select_from(schema.posting.join(schema.leg, same))
        .where(_within(_POSTING.closes_us, from_us, to_us), _LEG.account.in_(HOUSE_ACCOUNTS))
        .group_by(*keys)
        .order_by(*keys)
    )


def _house_sums_by_unit(printer: str, from_us: int, to_us: int) -> Select[Any]:
    """Of one printer whose unit became known in a run: each posting has the unit of its stretch."""
    same = and_(
        _LEG.printer == _POSTING.printer, _LEG.anchor_us == _POSTING.anchor_us, _LEG.ordinal == _POSTING.ordinal
    )
    names = ("printer", "anchor_us", "run", "channel", "opens_us", "closes_us")
    of_stretch = and_(*(getattr(_STRETCH, name) == getattr(_POSTING, name) for name in names))
    keys = (_POSTING.printer, _POSTING.run, _POSTING.channel, _LEG.account)
    unit = func.coalesce(_STRETCH.unit, "")
    return (
        select(*keys, func.sum(_LEG.pages).label("pages"), unit.label("unit"))
        .select_from(schema.posting.join(schema.leg, same).outerjoin(schema.stretch, of_stretch))
        .where(
            _POSTING.printer == printer,
            _within(_POSTING.closes_us, from_us, to_us),
            _LEG.account.in_(HOUSE_ACCOUNTS),
        )
        .group_by(*keys, unit)
    )


def _meter_sums(printer: str, from_us: int, to_us: int) -> Select[Any]:
    """Of one printer, by an index; the first and last figure of each run by window functions (SQL:2003)."""
    keys = (_STRETCH.run, _STRETCH.channel, _STRETCH.unit)
    order = (_STRETCH.opens_us, _STRETCH.closes_us)
    whole = (None, None)
    return (
        select(
            *keys,
            func.first_value(_STRETCH.before).over(partition_by=keys, order_by=order, rows=whole).label("first"),
            func.last_value(_STRETCH.after).over(partition_by=keys, order_by=order, rows=whole).label("last"),
            func.sum(_STRETCH.counted).over(partition_by=keys).label("counted"),
        )
        .where(_STRETCH.printer == printer, _within(_STRETCH.closes_us, from_us, to_us))
        .distinct()
        .order_by(*keys)
    )


async def _edge_segments(connection: AsyncConnection, from_us: int, to_us: int) -> list[RowSegment]:
    """domain.accounts.period_sums.edge_segments."""
    places = {(row.printer, row.anchor_us) for row in (await connection.execute(_started_here(from_us, to_us))).all()}
    for printer in await _printers(connection, from_us, to_us):
        found = await connection.execute(_closed_here(printer, from_us, to_us))
        places |= {(printer, anchor_us) for anchor_us in found.scalars()}
    return await segments_at(connection, sorted(places))


def _started_here(from_us: int, to_us: int) -> Select[Any]:
    """Segments with a charge that started in the period, and a stretch that closed outside it."""
    started = _within(_CHARGE.started_us, from_us, to_us)
    here = select(_CHARGE.printer, _CHARGE.anchor_us).where(started).distinct().subquery()
    same = and_(_STRETCH.printer == here.c.printer, _STRETCH.anchor_us == here.c.anchor_us)
    outside = exists().where(same, not_(_within(_STRETCH.closes_us, from_us, to_us)))
    return select(here.c.printer, here.c.anchor_us).where(outside)


def _closed_here(printer: str, from_us: int, to_us: int) -> Select[Any]:
    """The printer's segments with a stretch that closed in the period, and a charge that started outside it."""
    closed = _within(_STRETCH.closes_us, from_us, to_us)
    here = select(_STRETCH.anchor_us).where(_STRETCH.printer == printer, closed).distinct().subquery()
    same = and_(_CHARGE.printer == printer, _CHARGE.anchor_us == here.c.anchor_us)
    outside = exists().where(same, not_(_within(_CHARGE.started_us, from_us, to_us)))
    return select(here.c.anchor_us).where(outside)


def _started_at(printer: str, from_us: int, to_us: int) -> Select[Any]:
    started = _within(_CHARGE.started_us, from_us, to_us)
    return select(_CHARGE.anchor_us).where(started, _CHARGE.printer == printer).distinct()


def _closed_at(printer: str, from_us: int, to_us: int) -> Select[Any]:
    closed = _within(_STRETCH.closes_us, from_us, to_us)
    return select(_STRETCH.anchor_us).where(_STRETCH.printer == printer, closed).distinct()


async def _printers(connection: AsyncConnection, from_us: int, to_us: int) -> list[str]:
    """With a stretch that closed in the period, in order: two steps down an index for each that has a projection, so
    that a printer which rests costs no statement of its own.
    """
    table = schema.segment.c
    first = select(func.min(table.printer).label("name")).cte("names", recursive=True)
    step = select(func.min(table.printer)).where(table.printer > first.c.name).scalar_subquery()
    names = first.union_all(select(step).where(first.c.name.is_not(None)))
    closed = exists().where(_STRETCH.printer == names.c.name, _within(_STRETCH.closes_us, from_us, to_us))
    return list((await connection.execute(select(names.c.name).where(closed).order_by(names.c.name))).scalars())


def _within(column: ColumnElement[int], from_us: int, to_us: int) -> ColumnElement[bool]:
    return and_(column >= from_us, column < to_us)
