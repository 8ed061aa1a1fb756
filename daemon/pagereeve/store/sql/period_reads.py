"""Sums of a period's rows, added up by the database: ports.reads.Reads over SQL."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from sqlalchemy import (
    CTE,
    BigInteger,
    Column,
    ColumnElement,
    Integer,
    Row,
    Select,
    and_,
    column,
    exists,
    func,
    not_,
    or_,
    select,
    values,
)
from sqlalchemy.ext.asyncio import AsyncConnection

from pagereeve.domain.accounts.period_sums import (
    ChargesBy,
    HouseSum,
    MeterSum,
    PeriodSums,
    Span,
    lies_over_an_edge,
    mixed_runs,
)
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
        return _totals(by, await self._reader.rows(_charge_sums(by, [(from_us, to_us)])))

    async def edge_segments(self, from_us: int, to_us: int) -> Sequence[RowSegment]:
        async with self._reader.snapshot() as connection:
            [found] = await _edge_segments(connection, [(from_us, to_us)])
            return found

    async def period_segments(self, printer: str, from_us: int, to_us: int) -> Sequence[RowSegment]:
        """ports.closing.ClosedReads."""
        async with self._reader.snapshot() as connection:
            anchors = set(
                (await connection.execute(_anchors_within(_CHARGE.started_us, printer, from_us, to_us))).scalars()
            )
            anchors |= set(
                (await connection.execute(_anchors_within(_STRETCH.closes_us, printer, from_us, to_us))).scalars()
            )
            return await segments_at(connection, [(printer, anchor_us) for anchor_us in sorted(anchors)])

    async def period_sums(self, from_us: int, to_us: int) -> PeriodSums:
        [sums] = await self.sums_of_each([(from_us, to_us)])
        return sums

    async def sums_of_each(self, spans: Sequence[Span]) -> Sequence[PeriodSums]:
        """The same few statements for all spans, however many printers there are."""
        if not spans:
            return []
        async with self._reader.snapshot() as connection:
            charges = _by_span(spans, (await connection.execute(_charge_sums("printer", spans))).all())
            meters = _by_span(spans, (await connection.execute(_meter_sums(spans))).all())
            house = await _house_of_each(connection, spans, [_meters(rows) for rows in meters])
            edges = await _edge_segments(connection, spans)
        return [
            PeriodSums(
                tuple(_totals("printer", charges[nth])),
                tuple(_meters(meters[nth])),
                tuple(house[nth]),
                tuple(edges[nth]),
            )
            for nth in range(len(spans))
        ]


def _spans(spans: Sequence[Span]) -> CTE:
    """A table of the statement's own: each span with its number, so that one statement looks at all of them."""
    columns = (column("nth", Integer), column("from_us", BigInteger), column("to_us", BigInteger))
    rows = [(nth, from_us, to_us) for nth, (from_us, to_us) in enumerate(spans)]
    return values(*columns, name="spans").data(rows).cte("spans")


def _by_span(spans: Sequence[Span], rows: Sequence[Row[Any]]) -> list[list[Row[Any]]]:
    found: list[list[Row[Any]]] = [[] for _ in spans]
    for nth, some in groupby(rows, key=lambda row: row.nth):
        found[nth] += some
    return found


def _charge_sums(by: ChargesBy, spans: Sequence[Span]) -> Select[Any]:
    who = _CHARGE.owner if by == "person" else _CHARGE.printer
    each = _spans(spans)
    keys = (each.c.nth, who, _CHARGE.channel, _CHARGE.unit, _CHARGE.verdict)
    return (
        select(
            each.c.nth,
            who.label("who"),
            *keys[2:],
            func.count().label("releases"),
            func.min(_CHARGE.started_us).label("first_us"),
            func.coalesce(func.sum(_CHARGE.released), 0).label("released"),
            func.count(_CHARGE.released).label("released_times"),
            func.coalesce(func.sum(_CHARGE.counted), 0).label("counted"),
            func.count(_CHARGE.counted).label("counted_times"),
            func.sum(_CHARGE.charged).label("charged"),
            func.sum(_CHARGE.unproven).label("unproven"),
        )
        .select_from(each.join(schema.charge, _within(_CHARGE.started_us, each)))
        .group_by(*keys)
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


def _meters(rows: Sequence[Row[Any]]) -> list[MeterSum]:
    return [
        MeterSum(row.printer, row.run, row.channel, row.unit, row.first, row.last, int(row.counted)) for row in rows
    ]


def _meter_sums(spans: Sequence[Span]) -> Select[Any]:
    """The first and last figure of each run by window functions (SQL:2003)."""
    each, names = _spans(spans), _names()
    keys = (each.c.nth, _STRETCH.printer, _STRETCH.run, _STRETCH.channel, _STRETCH.unit)
    order = (_STRETCH.opens_us, _STRETCH.closes_us)
    whole = (None, None)
    return (
        select(
            *keys,
            func.first_value(_STRETCH.before).over(partition_by=keys, order_by=order, rows=whole).label("first"),
            func.last_value(_STRETCH.after).over(partition_by=keys, order_by=order, rows=whole).label("last"),
            func.sum(_STRETCH.counted).over(partition_by=keys).label("counted"),
        )
        .select_from(_closed_in(each, names))
        .distinct()
        .order_by(*keys)
    )


async def _house_of_each(
    connection: AsyncConnection, spans: Sequence[Span], meters: Sequence[Sequence[MeterSum]]
) -> list[list[HouseSum]]:
    """By unit where the unit of a run became known in the span: each posting then has the unit of its stretch."""
    found = _by_span(spans, (await connection.execute(_house_sums(spans))).all())
    mixed = [mixed_runs(some) for some in meters]
    by_unit: list[list[Row[Any]]] = [[] for _ in spans]
    if any(mixed):
        by_unit = _by_span(spans, (await connection.execute(_house_sums_by_unit(spans))).all())
    sums = []
    for plain, several, runs in zip(found, by_unit, mixed, strict=True):
        house = [_house_sum(row) for row in plain if (row.printer, row.run, row.channel) not in runs]
        house += [_house_sum(row, row.unit) for row in several if (row.printer, row.run, row.channel) in runs]
        house.sort(key=lambda one: (one.printer, one.run, one.channel, one.account, one.unit))
        sums.append(house)
    return sums


def _house_sum(row: Row[Any], unit: str = "") -> HouseSum:
    return HouseSum(row.printer, row.run, row.channel, row.account, int(row.pages), unit)


def _house_sums(spans: Sequence[Span]) -> Select[Any]:
    each = _spans(spans)
    keys = (each.c.nth, _POSTING.printer, _POSTING.run, _POSTING.channel, _LEG.account)
    return (
        select(*keys, func.sum(_LEG.pages).label("pages"))
        .select_from(each.join(schema.posting, _within(_POSTING.closes_us, each)).join(schema.leg, _legs_of_posting()))
        .where(_LEG.account.in_(HOUSE_ACCOUNTS))
        .group_by(*keys)
        .order_by(*keys)
    )


def _anchors_within(column: Column[Any], printer: str, from_us: int, to_us: int) -> Select[Any]:
    """Anchors of one printer's segments with a row whose ``column`` lies in the span."""
    table = column.table
    within = and_(table.c.printer == printer, column >= from_us, column < to_us)
    return select(table.c.anchor_us).where(within).distinct()


def _house_sums_by_unit(spans: Sequence[Span]) -> Select[Any]:
    each = _spans(spans)
    names = ("printer", "anchor_us", "run", "channel", "opens_us", "closes_us")
    of_stretch = and_(*(getattr(_STRETCH, name) == getattr(_POSTING, name) for name in names))
    keys = (each.c.nth, _POSTING.printer, _POSTING.run, _POSTING.channel, _LEG.account)
    unit = func.coalesce(_STRETCH.unit, "")
    postings = each.join(schema.posting, _within(_POSTING.closes_us, each)).join(schema.leg, _legs_of_posting())
    return (
        select(*keys, func.sum(_LEG.pages).label("pages"), unit.label("unit"))
        .select_from(postings.outerjoin(schema.stretch, of_stretch))
        .where(_LEG.account.in_(HOUSE_ACCOUNTS))
        .group_by(*keys, unit)
        .order_by(*keys, unit)
    )


def _legs_of_posting() -> ColumnElement[bool]:
    return and_(
        _LEG.printer == _POSTING.printer, _LEG.anchor_us == _POSTING.anchor_us, _LEG.ordinal == _POSTING.ordinal
    )


async def _edge_segments(connection: AsyncConnection, spans: Sequence[Span]) -> list[list[RowSegment]]:
    """domain.accounts.period_sums.edge_segments of each span. One over two edges is read once."""
    started = (await connection.execute(_started_here(spans))).all()
    closed = (await connection.execute(_closed_here(spans))).all()
    places = {(row.nth, row.printer, row.anchor_us) for row in (*started, *closed)}
    found = await segments_at(connection, sorted({(printer, anchor_us) for _, printer, anchor_us in places}))
    known = {(one.printer, one.anchor_us): one for one in found}
    edges: list[list[RowSegment]] = [[] for _ in spans]
    for nth, printer, anchor_us in sorted(places):
        if lies_over_an_edge(known[printer, anchor_us], *spans[nth]):
            edges[nth].append(known[printer, anchor_us])
    return edges


def _may_be_its_own() -> ColumnElement[bool]:
    """All charges that a stretch of the same segment may have by domain.accounts.membership, and perhaps a few more.

    One that started before the stretch closed had not closed by then. One that started later shares a release's name
    with it: that is found in the stretch's list of names, in which no name is spelt otherwise but for a backslash.
    """
    names = _STRETCH.releases
    named = or_(names.like("%" + _CHARGE.release + "%"), names.contains("\\", autoescape=True))
    return and_(
        _STRETCH.printer == _CHARGE.printer,
        _STRETCH.anchor_us == _CHARGE.anchor_us,
        _STRETCH.channel == _CHARGE.channel,
        # As a difference, for a database that took an index for this comparison would walk through the printer's life.
        _CHARGE.closed_us - _STRETCH.closes_us >= 0,
        or_(_CHARGE.started_us < _STRETCH.closes_us, named),
    )


def _started_here(spans: Sequence[Span]) -> Select[Any]:
    """Segments with a charge that started in the span, and a stretch of it that closed outside."""
    each = _spans(spans)
    outside = exists().where(_may_be_its_own(), not_(_within(_STRETCH.closes_us, each)))
    return (
        select(each.c.nth, _CHARGE.printer, _CHARGE.anchor_us)
        .select_from(each.join(schema.charge, _within(_CHARGE.started_us, each)))
        .where(outside)
        .distinct()
    )


def _closed_here(spans: Sequence[Span]) -> Select[Any]:
    """Segments with a stretch that closed in the span, and a charge of it that started outside."""
    each, names = _spans(spans), _names()
    outside = exists().where(_may_be_its_own(), not_(_within(_CHARGE.started_us, each)))
    return (
        select(each.c.nth, _STRETCH.printer, _STRETCH.anchor_us)
        .select_from(_closed_in(each, names))
        .where(outside)
        .distinct()
    )


def _closed_in(each: CTE, names: CTE) -> Any:
    """Stretches that closed in a span: by an index down each printer's closings."""
    return each.join(names, names.c.name.is_not(None)).join(
        schema.stretch, and_(_STRETCH.printer == names.c.name, _within(_STRETCH.closes_us, each))
    )


def _names() -> CTE:
    """All printers that have a projection: two steps down an index for each; the last row is null."""
    table = schema.segment.c
    first = select(func.min(table.printer).label("name")).cte("names", recursive=True)
    step = select(func.min(table.printer)).where(table.printer > first.c.name).scalar_subquery()
    return first.union_all(select(step).where(first.c.name.is_not(None)))


def _within(instant: ColumnElement[int], each: CTE) -> ColumnElement[bool]:
    return and_(instant >= each.c.from_us, instant < each.c.to_us)
