"""Releases filtered and paged by the database: ports.reads.Reads over SQL."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, Select, Subquery, and_, func, select, tuple_

from pagereeve.domain.accounts.totals import OPEN
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.facts.owners import owner_key
from pagereeve.ports.releases import (
    LOOKED_AT_MAX,
    OWNERS_LOOKED_UP_MAX,
    PAGE_MAX,
    ReleaseFilter,
    ReleasePlace,
    ReleasesPage,
    place_of,
)
from pagereeve.store.records.ledger_records import charge_of
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.ledger_reads import LedgerReads
from pagereeve.store.sql.snapshots import Reader

_CHARGE = schema.charge.c
_ORDER = (_CHARGE.started_us, _CHARGE.printer, _CHARGE.source, _CHARGE.release, _CHARGE.channel)


class ReleaseReads(LedgerReads):
    async def releases_page(self, wanted: ReleaseFilter, limit: int, after: ReleasePlace | None = None) -> ReleasesPage:
        """The charges behind ``after`` are looked at, LOOKED_AT_MAX of them, by the index of starts; where a printer or
        few owners are asked for, theirs alone.
        """
        size = max(1, min(limit, PAGE_MAX))
        async with self._reader.held() as reader:
            owners = None if wanted.owners is None else await _spellings(reader, wanted.owners)
            few = owners if owners is not None and len(owners) <= OWNERS_LOOKED_UP_MAX else None
            looked_at = _behind(wanted, few, after).limit(LOOKED_AT_MAX).subquery()
            found = select(looked_at).where(_wanted(looked_at, wanted, owners))
            newest_first = [looked_at.c[column.name].desc() for column in _ORDER]
            rows = await reader.rows(found.order_by(*newest_first).limit(size + 1))
            page = [charge_of(row) for row in rows[:size]]
            if len(rows) > size:
                return ReleasesPage(page, place_of(page[-1]))
            last = await reader.first(_behind(wanted, few, after, *_ORDER).offset(LOOKED_AT_MAX - 1))
        return ReleasesPage(page, None if last is None else tuple(last))


async def _spellings(reader: Reader, owners: frozenset[str]) -> list[str]:
    """How owners with these keys are written: all that are, found step by step down their index."""
    first = select(func.min(_CHARGE.owner).label("owner")).cte("owners", recursive=True)
    step = select(func.min(_CHARGE.owner)).where(_CHARGE.owner > first.c.owner).scalar_subquery()
    written = first.union_all(select(step).where(first.c.owner.is_not(None)))
    rows = await reader.rows(select(written.c.owner).where(written.c.owner.is_not(None)))
    return [row.owner for row in rows if owner_key(row.owner) in owners]


def _behind(
    wanted: ReleaseFilter, owners: Sequence[str] | None, after: ReleasePlace | None, *columns: ColumnElement[Any]
) -> Select[Any]:
    started = and_(_CHARGE.started_us >= wanted.from_us, _CHARGE.started_us < wanted.to_us)
    rows = select(*(columns or (schema.charge,))).where(started).order_by(*(one.desc() for one in _ORDER))
    if wanted.printer is not None:
        rows = rows.where(_CHARGE.printer == wanted.printer)
    if owners is not None:
        rows = rows.where(_CHARGE.owner.in_(owners))
    if after is None:
        return rows
    # The first condition is the index's alone; the second is exact.
    return rows.where(_CHARGE.started_us <= after[0], tuple_(*_ORDER) < tuple_(*after))


def _wanted(looked_at: Subquery, wanted: ReleaseFilter, owners: Sequence[str] | None) -> ColumnElement[bool]:
    rows = looked_at.c
    verdict = None if wanted.verdict == OPEN else wanted.verdict
    conditions: list[ColumnElement[bool]] = [rows.started_us >= wanted.from_us]
    if owners is not None:
        conditions.append(rows.owner.in_(owners))
    if wanted.verdict is not None:
        conditions.append(rows.verdict.is_(None) if verdict is None else rows.verdict == verdict)
    if wanted.grade is not None:
        conditions.append(rows.grade == wanted.grade.value)
    if wanted.billed:
        conditions.append(rows.channel.in_(sorted(CLAIMED_CHANNELS)))
    return and_(*conditions)
