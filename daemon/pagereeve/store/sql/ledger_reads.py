"""Reading projections: ports.ledger.LedgerStore's reads over SQL, in bounded pages."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from typing import Any

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Row,
    Select,
    Table,
    Text,
    and_,
    column,
    func,
    select,
    tuple_,
    values,
)
from sqlalchemy.ext.asyncio import AsyncConnection

from pagereeve.domain.ledger import Charge, Finding, ReleaseKey, RowSegment, Stretch
from pagereeve.domain.projection.running_totals import RunningTotals
from pagereeve.store.records.ledger_records import charge_of, finding_of, stretch_of
from pagereeve.store.records.segment_records import by_part, segments_of
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.posting_reads import PostingReads
from pagereeve.store.sql.snapshots import PAGE_ROWS

Rows = Sequence[Row[Any]]

_AT_ONCE = 500
_TABLES = (schema.segment, *schema.SEGMENT_PARTS)


class LedgerReads(PostingReads):
    async def segment_before(self, printer: str, at_us: int) -> RowSegment | None:
        table = schema.segment.c
        latest = select(table.anchor_us).where(
            table.printer == printer, table.anchor_us <= at_us, table.resume_point.is_not(None)
        )
        async with self._reader.snapshot() as connection:
            found = await connection.execute(latest.order_by(table.anchor_us.desc()).limit(1))
            anchor_us = found.scalar_one_or_none()
            return None if anchor_us is None else (await _segments(connection, printer, anchor_us))[0]

    async def segments(self, printer: str) -> Sequence[RowSegment]:
        async with self._reader.snapshot() as connection:
            return await _segments(connection, printer, None)

    async def charges(self, from_us: int, to_us: int) -> AsyncIterator[Charge]:
        """Of equal starts, in order of printer, source, release, channel.

        That order is made of facts, so a projection that runs meanwhile neither hides a charge nor shows it twice.
        """
        table = schema.charge.c
        order = (table.started_us, table.printer, table.source, table.release, table.channel)
        async for page in self._pages(schema.charge, order, from_us, to_us):
            for row in page:
                yield charge_of(row)

    async def charges_of(self, release: str) -> Sequence[Charge]:
        table = schema.charge.c
        statement = select(schema.charge).where(table.release == release)
        rows = await self._reader.rows(statement.order_by(table.started_us, *_key(schema.charge)))
        return [charge_of(row) for row in rows]

    async def stretches(self, printer: str, from_us: int, to_us: int) -> Sequence[Stretch]:
        """In order of their opening."""
        table = schema.stretch.c
        statement = select(schema.stretch).where(
            table.printer == printer, table.closes_us >= from_us, table.opens_us <= to_us
        )
        rows = await self._reader.rows(statement.order_by(table.opens_us, *_key(schema.stretch)))
        return [stretch_of(row) for row in rows]

    async def _pages(
        self, table: Table, order: Sequence[ColumnElement[Any]], from_us: int, to_us: int
    ) -> AsyncIterator[Rows]:
        """Pages whose first column of ``order`` lies in [from_us, to_us)."""
        rest = select(table).order_by(*order, *_place(table))
        statement = rest.where(order[0] >= from_us, order[0] < to_us)
        while True:
            async with self._reader.snapshot() as connection:
                page = await _page(connection, statement, table, order)
            yield page
            if len(page) < PAGE_ROWS:
                return
            # From the last one's instant on: by the row of values alone SQLite would go through all before it.
            since = order[0] >= _value(page[-1], order[0])
            statement = rest.where(since, order[0] < to_us, tuple_(*order) > _values(page[-1], order))

    async def running_totals(self, printer: str, before_us: int) -> RunningTotals:
        """ports.store.Store."""
        leg, finding = schema.leg.c, schema.finding.c
        posting = schema.posting.c
        same = _same(schema.leg, schema.posting)
        sums = (
            select(posting.channel, leg.account, func.sum(leg.pages).label("pages"))
            .select_from(schema.leg.join(schema.posting, same))
            .where(posting.printer == printer, posting.anchor_us < before_us)
            .group_by(posting.channel, leg.account)
        )
        counts = (
            select(finding.kind, func.count().label("number"))
            .where(finding.printer == printer, finding.anchor_us < before_us, finding.state == "open")
            .group_by(finding.kind)
        )
        running_totals = RunningTotals()
        async with self._reader.snapshot() as connection:
            for row in (await connection.execute(sums)).all():
                running_totals.add_pages(row.channel, row.account, int(row.pages))
            for row in (await connection.execute(counts)).all():
                running_totals.open_findings[row.kind] += row.number
        return running_totals

    async def findings(self, *, only_open: bool) -> Sequence[Finding]:
        """In order of their beginning."""
        wanted = schema.finding.c.state == "open" if only_open else None
        return await self._findings(wanted)

    async def finding(self, name: str) -> Finding | None:
        found = await self._findings(schema.finding.c.id == name)
        return found[0] if found else None

    async def findings_of(self, release: ReleaseKey) -> Sequence[Finding]:
        table = schema.finding_release
        keys = select(*_key(table)).where(table.c.source == release.source, table.c.release == release.release)
        return await self._findings(tuple_(*_key(schema.finding)).in_(keys))

    async def _findings(self, wanted: ColumnElement[bool] | None) -> Sequence[Finding]:
        table = schema.finding
        statement, evidence, releases = select(table), select(schema.evidence), select(schema.finding_release)
        if wanted is not None:
            statement = statement.where(wanted)
            evidence = evidence.join(table, _same(table, schema.evidence)).where(wanted)
            releases = releases.join(table, _same(table, schema.finding_release)).where(wanted)
        async with self._reader.snapshot() as connection:
            rows = (await connection.execute(statement.order_by(table.c.since_us, *_key(table)))).all()
            placed = (await connection.execute(evidence.order_by(*schema.evidence.primary_key))).all()
            named = (await connection.execute(releases.order_by(*schema.finding_release.primary_key))).all()
        shown, about = by_part(placed), by_part(named)
        keys = [(row.printer, row.anchor_us, row.ordinal) for row in rows]
        return [finding_of(row, shown.get(key, ()), about.get(key, ())) for key, row in zip(keys, rows, strict=True)]


async def segments_at(connection: AsyncConnection, places: Sequence[tuple[str, int]]) -> list[RowSegment]:
    """Those at these printers and anchors, each of them once; some at once by one statement a table."""
    found: list[RowSegment] = []
    for first in range(0, len(places), _AT_ONCE):
        rows = {}
        for table in _TABLES:
            wanted = values(column("printer", Text), column("anchor_us", BigInteger), name="places")
            some = wanted.data(list(places[first : first + _AT_ONCE])).cte("places")
            # A list of row values in the condition would make SQLite walk through the table.
            here = and_(table.c.printer == some.c.printer, table.c.anchor_us == some.c.anchor_us)
            statement = select(table).select_from(some.join(table, here)).order_by(*table.primary_key)
            rows[table.name] = (await connection.execute(statement)).all()
        found += segments_of(rows)
    return found


async def _page(
    connection: AsyncConnection, statement: Select[Any], table: Table, order: Sequence[ColumnElement[Any]]
) -> Rows:
    """Some rows, and all others that equal the last in ``order``: the next page must begin behind them.

    It can't begin in their midst, by their places, for a projection may change these between two pages.
    """
    page: Rows = (await connection.execute(statement.limit(PAGE_ROWS))).all()
    if len(page) < PAGE_ROWS:
        return page
    equal = tuple_(*order) == _values(page[-1], order)
    behind = tuple_(*_place(table)) > _values(page[-1], _place(table))
    ties = await connection.execute(select(table).where(equal, behind).order_by(*_place(table)))
    return [*page, *ties.all()]


def _same(table: Table, parts: Table) -> ColumnElement[bool]:
    return and_(*(left == right for left, right in zip(_key(table), _key(parts), strict=True)))


def _value(row: Row[Any], column: ColumnElement[Any]) -> Any:
    return row._mapping[column]  # noqa: SLF001 - SQLAlchemy's public name


def _values(row: Row[Any], columns: Sequence[ColumnElement[Any]]) -> ColumnElement[Any]:
    return tuple_(*(_value(row, column) for column in columns))


def _place(table: Table) -> tuple[ColumnElement[Any], ...]:
    return (table.c.anchor_us, table.c.ordinal)


def _key(table: Table) -> tuple[ColumnElement[Any], ...]:
    return (table.c.printer, table.c.anchor_us, table.c.ordinal)


async def _segments(connection: AsyncConnection, printer: str, anchor_us: int | None) -> list[RowSegment]:
    rows = {}
    for table in _TABLES:
        statement = select(table).where(table.c.printer == printer)
        if anchor_us is not None:
            statement = statement.where(table.c.anchor_us == anchor_us)
        rows[table.name] = (await connection.execute(statement.order_by(*table.primary_key))).all()
    return segments_of(rows)
