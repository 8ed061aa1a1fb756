"""Findings filtered, counted and paged by the database: ports.reads.Reads over SQL."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, get_args

from sqlalchemy import ColumnElement, Select, and_, case, func, select, tuple_

from pagereeve.domain.ledger import SEVERITIES, Finding, FindingState
from pagereeve.ports.findings import (
    PAGE_MAX,
    DearestPage,
    DearPlace,
    FindingCount,
    FindingFilter,
    FindingsPage,
    OpenFindings,
    Place,
    dearness,
)
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.ledger_reads import LedgerReads

_FINDING = schema.finding.c
_RANK = case(
    *((_FINDING.severity == severity, rank) for rank, severity in enumerate(SEVERITIES)), else_=len(SEVERITIES)
)
_ORDER = (_RANK, _FINDING.since_us, _FINDING.printer, _FINDING.id, _FINDING.anchor_us, _FINDING.ordinal)
_DEAREST = (-func.abs(func.coalesce(_FINDING.pages, 0)), *_ORDER)


class FindingReads(LedgerReads):
    async def findings_page(self, wanted: FindingFilter, limit: int, after: Place | None = None) -> FindingsPage:
        found, place = await self._ordered(_ORDER, wanted, limit, after)
        known = sorted(found, key=lambda one: (SEVERITIES.index(one.severity), one.since_us, one.printer, one.id))
        return FindingsPage(known, place)

    async def dearest_findings(self, wanted: FindingFilter, limit: int, after: DearPlace | None = None) -> DearestPage:
        found, place = await self._ordered(_DEAREST, wanted, limit, after)
        return DearestPage(sorted(found, key=dearness), place)

    async def _ordered(
        self, order: Sequence[ColumnElement[Any]], wanted: FindingFilter, limit: int, after: tuple[Any, ...] | None
    ) -> tuple[Sequence[Finding], Any]:
        """A page of them in no order, and where it ended."""
        size = max(1, min(limit, PAGE_MAX))
        async with self._reader.held() as reader:
            places = [tuple(row) for row in await reader.rows(_page(order, wanted, size + 1, after))]
            key = tuple_(_FINDING.printer, _FINDING.anchor_us, _FINDING.ordinal)
            # A subquery and no list of values: for a list SQLite goes through all rows.
            page = _page(order, wanted, size, after).subquery()
            shown = key.in_(select(page.c.printer, page.c.anchor_us, page.c.ordinal))
            found = await FindingReads(reader)._findings(shown) if places else ()  # noqa: SLF001 - one of us
        return found, places[size - 1] if len(places) > size else None

    async def count_findings(self, wanted: FindingFilter) -> Sequence[FindingCount]:
        keys = (_FINDING.severity, _FINDING.kind, _FINDING.state, _FINDING.reason)
        pages = func.coalesce(_FINDING.pages, 0)
        statement = select(
            *keys,
            func.count().label("findings"),
            func.sum(case((pages > 0, pages), else_=0)).label("too_many"),
            func.sum(case((pages < 0, -pages), else_=0)).label("too_few"),
            func.count(_FINDING.pages).label("about_pages"),
        )
        grouped = statement.where(_wanted(wanted)).group_by(_RANK, *keys).order_by(_RANK, *keys)
        rows = await self._reader.rows(grouped)
        return [
            FindingCount(
                *(row.severity, row.kind, row.state, row.reason),
                *(row.findings, int(row.too_many), int(row.too_few), row.about_pages),
            )
            for row in rows
        ]

    async def open_findings(self) -> Sequence[OpenFindings]:
        keys = (_FINDING.printer, _FINDING.severity)
        counted = select(*keys, func.count().label("findings")).where(_FINDING.state == "open").group_by(*keys)
        rows = await self._reader.rows(counted.order_by(*keys))
        return [OpenFindings(row.printer, row.severity, row.findings) for row in rows]


def _page(
    order: Sequence[ColumnElement[Any]], wanted: FindingFilter, rows: int, after: tuple[Any, ...] | None
) -> Select[Any]:
    statement = select(*order).where(_wanted(wanted)).order_by(*order).limit(rows)
    return statement if after is None else statement.where(tuple_(*order) > tuple_(*after))


def _wanted(wanted: FindingFilter) -> ColumnElement[bool]:
    """Every state is named, so that the index of states and beginnings serves whatever is asked for."""
    states = get_args(FindingState) if wanted.state is None else (wanted.state,)
    conditions = [_FINDING.state.in_(states), _FINDING.since_us >= wanted.from_us, _FINDING.since_us < wanted.to_us]
    named = ((_FINDING.kind, wanted.kind), (_FINDING.printer, wanted.printer), (_FINDING.severity, wanted.severity))
    return and_(*conditions, *(column == value for column, value in named if value is not None))
