"""Sums of a period's rows, added up by the database: ports.reads.Reads over SQL."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from itertools import groupby
from typing import Any, Final

from sqlalchemy import (
    CTE,
    BigInteger,
    Column,
    ColumnClause,
    ColumnElement,
    Integer,
    Row,
    Select,
    and_,
    column,
    exists,
    func,
    literal,
    null,
    or_,
    select,
    true,
    union_all,
    values,
)
from sqlalchemy.ext.asyncio import AsyncConnection

from pagereeve.domain.accounts.charge_sums import ChargeSum
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
from pagereeve.ports.kept_sums import RowsState
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.ledger_reads import LedgerReads, segments_at
from pagereeve.store.sql.snapshots import Reader

_CHARGE = schema.charge.c
_STRETCH = schema.stretch.c
_POSTING = schema.posting.c
_LEG = schema.leg.c

Between = tuple[str, str] | list[str] | None
"""The names of the first and the last printer that are meant, or (a list) of each; None: of any."""
_ENTRY = schema.seal_entry.c
_SEAL, _OPENED = schema.seal.c, schema.instance.c
_JOURNAL: Final = select(_SEAL.size, _SEAL.origin, _OPENED.fence, _OPENED.holder, _OPENED.since_us).select_from(
    schema.seal.join(schema.instance, true())
)
_LINKS: Final = select(_ENTRY.position, _ENTRY.link)
_VERSIONS: Final = select(schema.rows_version.c.printer, schema.rows_version.c.version)
FEW_ROWS: Final = 4
PRINTERS_AT_ONCE: Final = 200
NO_NAMES: Final = "[]"
"""A stretch's list of releases where it has none (store/records/ledger_records.py)."""


class PeriodReads(LedgerReads):
    async def charge_totals(self, by: ChargesBy, from_us: int, to_us: int) -> Sequence[Total]:
        return _totals(by, await self._reader.rows(_charge_sums(by, [(from_us, to_us)])))

    async def edge_segments(self, from_us: int, to_us: int, printer: str | None = None) -> Sequence[RowSegment]:
        between = None if printer is None else (printer, printer)
        async with self._reader.snapshot() as connection:
            [found] = await _edge_segments(connection, [(from_us, to_us)], between)
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

    async def period_sums(self, from_us: int, to_us: int, printer: str | None = None) -> PeriodSums:
        [sums] = await self._sums_of_each([(from_us, to_us)], None if printer is None else (printer, printer))
        return sums

    async def sums_of_printers(self, from_us: int, to_us: int, printers: Sequence[str]) -> PeriodSums:
        [sums] = await self._sums_of_each([(from_us, to_us)], list(printers))
        return sums

    async def charge_sums(
        self, from_us: int, to_us: int, printers: Sequence[str] | None = None
    ) -> AsyncIterator[ChargeSum]:
        some: Sequence[Between] = await printer_lots(self._reader) if printers is None else [list(printers)]
        for between in some:
            for row in await self._reader.rows(_charge_sums("person", [(from_us, to_us)], between, apart=True)):
                yield _charge_sum(row)

    async def rows_state(self, place: int) -> tuple[RowsState, bytes | None]:
        async with self._reader.snapshot() as connection:
            journal = (await connection.execute(_JOURNAL)).one_or_none()
            size = 0 if journal is None else journal.size
            links = (await connection.execute(_LINKS.where(_ENTRY.position.in_((place, size))))).all()
            versions = (await connection.execute(_VERSIONS)).all()
        linked = {row.position: row.link for row in links}
        known = () if journal is None else tuple(journal)[1:]
        return RowsState(known, size, linked.get(size), {row[0]: row[1] for row in versions}), linked.get(place)

    async def sums_of_each(self, spans: Sequence[Span]) -> Sequence[PeriodSums]:
        return await self._sums_of_each(spans, None)

    async def _sums_of_each(self, spans: Sequence[Span], between: Between) -> Sequence[PeriodSums]:
        """The same few statements for all spans, however many printers there are."""
        if not spans:
            return []
        async with self._reader.snapshot() as connection:
            charges = _by_span(spans, (await connection.execute(_charge_sums("printer", spans, between))).all())
            meters = _by_span(spans, (await connection.execute(_meter_sums(spans, between))).all())
            house = await _house_of_each(connection, spans, [_meters(rows) for rows in meters], between)
            edges = await _edge_segments(connection, spans, between)
        return [
            PeriodSums(
                tuple(_totals("printer", charges[nth])),
                tuple(_meters(meters[nth])),
                tuple(house[nth]),
                tuple(edges[nth]),
            )
            for nth in range(len(spans))
        ]


async def printer_lots(reader: Reader) -> list[tuple[str, str]]:
    """The first and the last of each lot of PRINTERS_AT_ONCE, in order of name."""
    each = lots([(0, 0)])
    names = [row.printer for row in await reader.rows(select(each.c.printer).order_by(each.c.printer))]
    parts = [names[first : first + PRINTERS_AT_ONCE] for first in range(0, len(names), PRINTERS_AT_ONCE)]
    return [(part[0], part[-1]) for part in parts]


def _spans(spans: Sequence[Span]) -> CTE:
    """A table of the statement's own: each span with its number, so that one statement looks at all of them."""
    columns = (column("nth", Integer), column("from_us", BigInteger), column("to_us", BigInteger))
    return _own_table("spans", columns, [(nth, from_us, to_us) for nth, (from_us, to_us) in enumerate(spans)])


def _own_table(name: str, columns: Sequence[ColumnClause[Any]], rows: Sequence[tuple[int, ...]]) -> CTE:
    """Of few rows in a form that SQLAlchemy remembers: else it makes the statement anew each time (10 ms)."""
    if len(rows) > FEW_ROWS:
        return values(*columns, name=name).data(list(rows)).cte(name)
    each = [
        select(*(literal(value, one.type).label(one.name) for value, one in zip(row, columns, strict=True)))
        for row in rows
    ]
    return (each[0] if len(each) == 1 else union_all(*each)).cte(name)


def _by_span(spans: Sequence[Span], rows: Sequence[Row[Any]]) -> list[list[Row[Any]]]:
    found: list[list[Row[Any]]] = [[] for _ in spans]
    for nth, some in groupby(rows, key=lambda row: row.nth):
        found[nth] += some
    return found


def _charge_sums(by: ChargesBy, spans: Sequence[Span], between: Between = None, *, apart: bool = False) -> Select[Any]:
    """``apart``: of each printer by itself, too."""
    who = _CHARGE.owner if by == "person" else _CHARGE.printer
    each = lots(spans, between)
    keys = (each.c.nth, who, _CHARGE.channel, _CHARGE.unit, _CHARGE.verdict)
    printer = (_CHARGE.printer,) if apart else ()
    return (
        select(
            each.c.nth,
            *printer,
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
        .select_from(each.join(schema.charge, and_(in_lot(_CHARGE, each), within(_CHARGE.started_us, each))))
        .group_by(*keys, *printer)
    )


def _charge_sum(row: Row[Any]) -> ChargeSum:
    return ChargeSum(
        *(row.printer, row.who, row.channel, row.unit or "", row.verdict or OPEN, row.releases, row.first_us),
        *(int(row.released), row.released_times, int(row.counted), row.counted_times),
        *(int(row.charged), int(row.unproven)),
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


def _meter_sums(spans: Sequence[Span], between: Between) -> Select[Any]:
    """The figures at both ends of each run by two steps down the index of closings: its stretches follow each other."""
    each, names = _spans(spans), _names(between)
    keys = (each.c.nth, _STRETCH.printer, _STRETCH.run, _STRETCH.channel, _STRETCH.unit)
    counted = func.sum(_STRETCH.counted).label("counted")
    sums = (
        select(each.c.from_us, each.c.to_us, *keys, counted)
        .select_from(_closed_in(each, names))
        .group_by(each.c.from_us, each.c.to_us, *keys)
        .cte("sums")
    )
    one = schema.stretch.alias("one")
    same = [one.c[name] == sums.c[name] for name in ("printer", "run", "channel", "unit")]
    its = (*same, one.c.closes_us >= sums.c.from_us, one.c.closes_us < sums.c.to_us)
    first = select(one.c.before).where(*its).order_by(one.c.closes_us, one.c.opens_us).limit(1)
    last = select(one.c.after).where(*its).order_by(one.c.closes_us.desc(), one.c.opens_us.desc()).limit(1)
    shown = [sums.c[name] for name in ("nth", "printer", "run", "channel", "unit")]
    ends = (first.scalar_subquery().label("first"), last.scalar_subquery().label("last"))
    return select(*shown, *ends, sums.c.counted).order_by(*shown)


async def _house_of_each(
    connection: AsyncConnection, spans: Sequence[Span], meters: Sequence[Sequence[MeterSum]], between: Between
) -> list[list[HouseSum]]:
    """By unit where the unit of a run became known in the span: each posting then has the unit of its stretch."""
    found = _by_span(spans, (await connection.execute(_house_sums(spans, between))).all())
    mixed = [mixed_runs(some) for some in meters]
    by_unit: list[list[Row[Any]]] = [[] for _ in spans]
    if any(mixed):
        by_unit = _by_span(spans, (await connection.execute(_house_sums_by_unit(spans, between))).all())
    sums = []
    for plain, several, runs in zip(found, by_unit, mixed, strict=True):
        house = [_house_sum(row) for row in plain if (row.printer, row.run, row.channel) not in runs]
        house += [_house_sum(row, row.unit) for row in several if (row.printer, row.run, row.channel) in runs]
        house.sort(key=lambda one: (one.printer, one.run, one.channel, one.account, one.unit))
        sums.append(house)
    return sums


def _house_sum(row: Row[Any], unit: str = "") -> HouseSum:
    return HouseSum(row.printer, row.run, row.channel, row.account, int(row.pages), unit)


def _house_sums(spans: Sequence[Span], between: Between) -> Select[Any]:
    """From the legs on: few of them are of house accounts."""
    each = lots(spans, between)
    keys = (each.c.nth, _POSTING.printer, _POSTING.run, _POSTING.channel, _LEG.account)
    legs = each.join(schema.leg, and_(in_lot(_LEG, each), _LEG.account.in_(HOUSE_ACCOUNTS)))
    return (
        select(*keys, func.sum(_LEG.pages).label("pages"))
        .select_from(legs.join(schema.posting, and_(legs_of_posting(), within(_POSTING.closes_us, each))))
        .group_by(*keys)
        .order_by(*keys)
    )


def _anchors_within(column: Column[Any], printer: str, from_us: int, to_us: int) -> Select[Any]:
    """Anchors of one printer's segments with a row whose ``column`` lies in the span."""
    table = column.table
    within = and_(table.c.printer == printer, column >= from_us, column < to_us)
    return select(table.c.anchor_us).where(within).distinct()


def _house_sums_by_unit(spans: Sequence[Span], between: Between) -> Select[Any]:
    each = lots(spans, between)
    names = ("printer", "anchor_us", "run", "channel", "opens_us", "closes_us")
    of_stretch = and_(*(getattr(_STRETCH, name) == getattr(_POSTING, name) for name in names))
    keys = (each.c.nth, _POSTING.printer, _POSTING.run, _POSTING.channel, _LEG.account)
    unit = func.coalesce(_STRETCH.unit, "")
    here = and_(in_lot(_POSTING, each), within(_POSTING.closes_us, each))
    postings = each.join(schema.posting, here).join(schema.leg, legs_of_posting())
    return (
        select(*keys, func.sum(_LEG.pages).label("pages"), unit.label("unit"))
        .select_from(postings.outerjoin(schema.stretch, of_stretch))
        .where(_LEG.account.in_(HOUSE_ACCOUNTS))
        .group_by(*keys, unit)
        .order_by(*keys, unit)
    )


def legs_of_posting() -> ColumnElement[bool]:
    return and_(
        _LEG.printer == _POSTING.printer, _LEG.anchor_us == _POSTING.anchor_us, _LEG.ordinal == _POSTING.ordinal
    )


async def _edge_segments(
    connection: AsyncConnection, spans: Sequence[Span], between: Between = None
) -> list[list[RowSegment]]:
    """domain.accounts.period_sums.edge_segments of each span. One over two edges is read once."""
    edges_us = sorted({at_us for span in spans for at_us in span})
    over: dict[int, set[tuple[str, int]]] = {at_us: set() for at_us in edges_us}
    for statement in (_closed_later(edges_us, between), _named_earlier(edges_us, between)):
        for row in (await connection.execute(statement)).all():
            over[row.at_us].add((row.printer, row.anchor_us))
    found = await segments_at(connection, sorted(set().union(*over.values())))
    known = {(one.printer, one.anchor_us): one for one in found}
    return [
        [known[place] for place in sorted(over[span[0]] | over[span[1]]) if lies_over_an_edge(known[place], *span)]
        for span in spans
    ]


def _around(edges_us: Sequence[int], between: Between) -> CTE:
    """Of each printer and edge the one segment in which rows of both sides can lie.

    A segment's releases start, and its stretches close, behind its anchor and not behind the next one
    (domain.projection.projector): a step down an index finds it.
    """
    each = _own_table("edges", (column("at_us", BigInteger),), [(at_us,) for at_us in edges_us])
    names, table = _names(between), schema.segment.c
    last = select(func.max(table.anchor_us)).where(table.printer == names.c.name, table.anchor_us < each.c.at_us)
    columns = (each.c.at_us, names.c.name.label("printer"), last.scalar_subquery().label("anchor_us"))
    return select(*columns).select_from(each.join(names, names.c.name.is_not(None))).cte("around")


def _closed_later(edges_us: Sequence[int], between: Between) -> Select[Any]:
    """Segments with a charge that started before the edge and closed after it, as a stretch did."""
    around = _around(edges_us, between)
    started = and_(_CHARGE.started_us < around.c.at_us, _CHARGE.started_us >= around.c.anchor_us)
    over = exists().where(*_of_segment(_CHARGE, around), started, _CHARGE.closed_us >= around.c.at_us)
    return select(*around.c).where(_closes(around, _STRETCH.closes_us >= around.c.at_us), over)


def _named_earlier(edges_us: Sequence[int], between: Between) -> Select[Any]:
    """Segments with a charge that started after the edge, and a stretch that closed before it and names its release
    (domain.accounts.membership): its list of names spells no name otherwise but for a backslash.
    """
    around = _around(edges_us, between)
    started = and_(_CHARGE.started_us >= around.c.at_us, _CHARGE.closed_us.is_not(None))
    earlier = and_(_STRETCH.closes_us < around.c.at_us, _STRETCH.closes_us >= around.c.anchor_us)
    keys, all_names = (*around.c, _STRETCH.channel), func.aggregate_strings(_STRETCH.releases, ",")
    # All names of a segment as one text: each charge is looked for once, and not in each stretch.
    names = (
        select(*keys, all_names.label("names"), func.instr(all_names, "\\").label("escaped"))
        .select_from(around.join(schema.stretch, and_(*_of_segment(_STRETCH, around), earlier)))
        .where(_STRETCH.releases != NO_NAMES, exists().where(*_of_segment(_CHARGE, around), started))
        .group_by(*keys)
        .cte("named")
    )
    named = or_(names.c.escaped > 0, func.instr(names.c.names, _CHARGE.release) > 0)
    later = and_(*_of_segment(_CHARGE, names), _CHARGE.channel == names.c.channel, _CHARGE.closed_us.is_not(None))
    found = names.join(schema.charge, and_(later, _CHARGE.started_us >= names.c.at_us))
    return select(names.c.at_us, names.c.printer, names.c.anchor_us).select_from(found).where(named).distinct()


def _closes(around: CTE, when: ColumnElement[bool]) -> ColumnElement[bool]:
    """A stretch of the segment, with releases, closes then: by an index down the printer's closings."""
    return exists().where(*_of_segment(_STRETCH, around), when, _STRETCH.releases != NO_NAMES)


def _of_segment(table: Any, around: CTE) -> tuple[ColumnElement[bool], ...]:
    return table.printer == around.c.printer, table.anchor_us == around.c.anchor_us


def lots(spans: Sequence[Span], between: Between = None) -> CTE:
    """Of each span and printer the anchors [anchor_us, to_us) of the segments in which the span's rows lie (_around).

    Down the key of a printer's rows, which lie together: by an index of instants each row would be looked up on a page
    of its own, which takes three to twenty times as long. ``between``: of printers from that name to that one alone.
    """
    each, names, table = _spans(spans), _names(between), schema.segment.c
    last = select(func.max(table.anchor_us)).where(table.printer == names.c.name, table.anchor_us < each.c.from_us)
    first_us = func.coalesce(last.scalar_subquery(), each.c.from_us).label("anchor_us")
    named = each.join(names, names.c.name.is_not(None))
    return select(*each.c, names.c.name.label("printer"), first_us).select_from(named).cte("lots")


def in_lot(table: Any, each: CTE) -> ColumnElement[bool]:
    return and_(table.printer == each.c.printer, table.anchor_us >= each.c.anchor_us, table.anchor_us < each.c.to_us)


def _closed_in(each: CTE, names: CTE) -> Any:
    """Stretches that closed in a span: by an index down each printer's closings."""
    return each.join(names, names.c.name.is_not(None)).join(
        schema.stretch, and_(_STRETCH.printer == names.c.name, within(_STRETCH.closes_us, each))
    )


def _names(between: Between = None) -> CTE:
    """All printers that have a projection: two steps down an index for each; the last row is null."""
    table = schema.segment.c
    if isinstance(between, list):
        # Those that were ever replaced: one step down its key for each. As a compound SQLite makes the table first.
        named = schema.rows_version.c.printer
        return select(named.label("name")).where(named.in_(between)).union_all(select(null())).cte("names")
    begins, step = select(func.min(table.printer).label("name")), select(func.min(table.printer))
    if between is not None:
        begins = begins.where(table.printer.between(*between))
        step = step.where(table.printer <= between[1])
    first = begins.cte("names", recursive=True)
    following = step.where(table.printer > first.c.name).scalar_subquery()
    return first.union_all(select(following).where(first.c.name.is_not(None)))


def within(instant: ColumnElement[int], each: CTE) -> ColumnElement[bool]:
    return and_(instant >= each.c.from_us, instant < each.c.to_us)
