"""Reading facts: ports.journal's reads and ports.queries.FactQueries over SQL, in bounded pages."""

from __future__ import annotations

from collections import deque
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from operator import attrgetter
from typing import Any

from sqlalchemy import CTE, ColumnElement, Row, Select, and_, exists, func, or_, select, tuple_, union

from pagereeve.domain.facts.events import PRINTER_NOTED
from pagereeve.domain.facts.facts import (
    JOURNAL_SOURCE,
    Event,
    Fact,
    FactDamaged,
    PagesDecided,
    PlateauRead,
    PrinterNoted,
    ReadFailed,
    ReadingNoted,
    ReleaseStarted,
)
from pagereeve.domain.facts.noted_reading import READINGS_SOURCE
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE
from pagereeve.domain.facts.redating import NOT_AGREED
from pagereeve.domain.facts.sites import AFTER_DIVIDER, DIVIDER, source_at
from pagereeve.ports.journal import DamagedRow, OpenRun, StoredFact
from pagereeve.ports.kept_facts import KeptFacts
from pagereeve.ports.queries import LAST_EVENTS_OF_SOURCE, SOURCES_LOOKED_AT, Growth
from pagereeve.store.records.fact_record import DECIDED, PEOPLE_CHANGING, PEOPLE_KINDS
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.archive_reads import ArchivedFacts
from pagereeve.store.sql.snapshots import PAGE_ROWS, Reader

DELAYS_MAX = 10_000
UNROUTED_MAX = 1_000
# Of one release. A source that uses one name again and again must not make each notice dearer than the one before.
RELEASE_FACTS_MAX = 1_000
LATE_FACTS_MAX = 10_000
LOSSES_MAX = 10_000

_FACT = schema.fact.c
_RUN = schema.open_run.c
_PART = schema.archive_part.c
# What is void is not there for anybody who reads.
_STANDS = _FACT.shift_us.is_not(None)


class FactReads:
    kept: KeptFacts | None = None

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def damaged(self) -> Sequence[DamagedRow]:
        """The first DAMAGED_MAX of them."""
        return tuple(self._reader.damage.rows)

    async def facts(self, printer: str, from_us: int | None = None) -> AsyncIterator[StoredFact]:
        """Facts stored while this runs may be among them or not; those stored before it began are all there, also
        those that lie in an archive (ArchiveUnread where its file is wanted and is not there).
        """
        archived = ArchivedFacts(self._reader, printer, from_us=from_us)
        after, upto = await self._seq_before(printer, from_us), None
        while True:
            rows = () if after is None else await self._reader.rows(_page(printer, after, from_us))
            after = upto = rows[-1].seq if len(rows) == PAGE_ROWS else None
            stored = [StoredFact(row.seq, self._reader.damage.fact(row)) for row in rows]
            async for one in archived.among(stored, upto):
                yield one
            if upto is None:
                return

    async def said_facts(self, printer: str, after: int = 0) -> AsyncIterator[StoredFact]:
        """As ports.reads says. What is void and damaged as well is left out: it has neither a date nor a content."""
        place: int | None = after
        archived = ArchivedFacts(self._reader, printer, after)
        while place is not None:
            stored = select(*schema.CHECKED).where(_FACT.printer == printer, _FACT.seq > place)
            rows = await self._reader.rows(stored.order_by(_FACT.seq).limit(PAGE_ROWS))
            place = rows[-1].seq if len(rows) == PAGE_ROWS else None
            async for one in archived.among(self._said(rows), place):
                yield one

    def _said(self, rows: Sequence[Row[Any]]) -> Iterator[StoredFact]:
        for row in rows:
            fact = self._reader.damage.said(row)
            if row.shift_us is not None or not isinstance(fact, FactDamaged):
                yield StoredFact(row.seq, fact)

    async def _seq_before(self, printer: str, from_us: int | None) -> int | None:
        """One less than the first number to look at: a page must not scan the years before ``from_us``."""
        if from_us is None:
            return 0
        lowest = select(func.min(_FACT.seq)).where(_FACT.printer == printer, _FACT.at_us >= from_us)
        row = await self._reader.first(lowest)
        return None if row is None or row[0] is None else row[0] - 1

    async def open_run(self, printer: str) -> OpenRun | None:
        row = await self._reader.first(select(_RUN.body).where(_RUN.printer == printer))
        run = None if row is None else self._reader.damage.run(printer, row.body)
        return None if run is None else OpenRun(run)

    async def printers(self) -> Sequence[str]:
        """One statement: a step down an index for each printer, where DISTINCT would walk through all facts. The own
        timelines of other journals' sites are no printers.
        """
        names = _printer_names()
        own_timeline = exists().where(schema.origin.c.site.concat(DIVIDER) == names.c.name)
        of_facts = select(names.c.name).where(names.c.name.is_not(None), ~own_timeline)
        both = union(of_facts, select(_RUN.printer.label("name"))).subquery()
        return sorted(row.name for row in await self._reader.rows(select(both.c.name)))

    async def _printer_after(self, name: str) -> str | None:
        """The next printer in order: a step down an index, where DISTINCT would walk through all facts."""
        steps = (select(func.min(table.printer).label("name")).where(table.printer > name) for table in (_FACT, _RUN))
        both = union(*steps).subquery()
        row = await self._reader.first(select(func.min(both.c.name)))
        return None if row is None or row[0] is None else str(row[0])

    async def all_facts(self) -> AsyncIterator[Fact]:
        printer: str | None = ""
        while printer is not None:
            after: int | None = 0
            archived = ArchivedFacts(self._reader, printer)
            while after is not None:
                rows, run = await self._page_and_run(printer, after)
                after = rows[-1].seq if len(rows) == PAGE_ROWS else None
                stored = [StoredFact(row.seq, self._reader.damage.fact(row)) for row in rows]
                async for one in archived.among(stored, after):
                    yield one.fact
                open_run = None if run is None else self._reader.damage.run(printer, run)
                if open_run is not None:
                    yield open_run
            printer = await self._printer_after(printer)

    async def _page_and_run(self, printer: str, after: int) -> tuple[Sequence[Row[Any]], str | None]:
        """A page and, with the last one, the open run of the same moment: else a seal between the two hides a run."""
        async with self._reader.snapshot() as connection:
            rows = (await connection.execute(_page(printer, after, None))).all()
            if len(rows) == PAGE_ROWS:
                return rows, None
            run = (await connection.execute(select(_RUN.body).where(_RUN.printer == printer))).scalar_one_or_none()
            return rows, run

    async def count_facts(self) -> int:
        row = await self._reader.first(select(func.count()).select_from(schema.fact))
        return 0 if row is None else int(row[0])

    async def recent_delays(self, source: str, limit: int) -> Sequence[tuple[int, int]]:
        statement = select(*schema.CHECKED).where(_FACT.source == source, _STANDS)
        latest = statement.order_by(_FACT.at_us.desc(), _FACT.printer.desc(), _FACT.seq.desc())
        delays = []
        for row in reversed(await self._reader.rows(latest.limit(min(limit, DELAYS_MAX)))):
            fact = self._reader.damage.fact(row)
            if isinstance(fact, Event) and fact.origin.clock != NOT_AGREED:
                occurred_us = fact.origin.occurred_us
                if occurred_us is not None:
                    delays.append((occurred_us, fact.origin.received_us))
        return delays

    async def last_events(self) -> Mapping[str, int]:
        """Of the first SOURCES_LOOKED_AT sources by name: their names come from outside. A few steps down an index."""
        latest: dict[str, int] = {}
        source: str | None = ""
        for _ in range(SOURCES_LOOKED_AT):
            row = await self._reader.first(select(func.min(_FACT.source)).where(_FACT.source > source))
            if row is None or row[0] is None:
                break
            source = str(row[0])
            events = select(_FACT.kind, _FACT.at_us).where(_FACT.source == source, _FACT.source.is_not(None))
            recent = events.order_by(_FACT.at_us.desc()).limit(LAST_EVENTS_OF_SOURCE).subquery()
            newest = select(recent.c.kind, func.max(recent.c.at_us).label("at_us")).group_by(recent.c.kind)
            for one in await self._reader.rows(newest):
                latest[one.kind] = max(one.at_us, latest.get(one.kind, 0))
        return latest

    async def newest_us(self) -> int | None:
        """One statement: a step down an index for each printer, and one for what is checked under none. What another
        journal dated is no measure of this machine's clock.
        """
        names = _printer_names()
        newest = select(func.max(_FACT.at_us)).where(_FACT.printer == names.c.name, ~_is_of_a_site(names.c.name))
        checked = select(func.max(_FACT.at_us)).where(schema.badge_kinds(), schema.OWN)
        of_printers = select(func.max(newest.scalar_subquery())).select_from(names).scalar_subquery()
        row = await self._reader.first(select(of_printers.label("read"), checked.scalar_subquery().label("checked")))
        return max((int(one) for one in row or () if one is not None), default=None)

    async def growth(self, since_us: int) -> Growth:
        """ports.reads.Reads. Facts of a printer are numbered from 1 on, nearly in order of time."""
        names = _printer_names()
        its = _FACT.printer == names.c.name
        before = select(_FACT.seq).where(its, _FACT.at_us < since_us).order_by(_FACT.at_us.desc(), _FACT.seq.desc())
        last, old = select(func.max(_FACT.seq)).where(its), func.coalesce(before.limit(1).scalar_subquery(), 0)
        figures = select(
            select(func.min(_FACT.at_us)).where(its).scalar_subquery().label("oldest"),
            func.coalesce(last.scalar_subquery(), 0).label("last"),
            old.label("old"),
        ).select_from(names)
        of_all = figures.subquery()
        recent = func.sum(of_all.c.last - of_all.c.old)
        sums = select(
            func.min(of_all.c.oldest).label("oldest_us"), func.sum(of_all.c.last).label("facts"), recent.label("recent")
        )
        row = await self._reader.first(sums)
        if row is None:
            return Growth(None, 0, 0)
        gone = await self._reader.first(select(func.sum(schema.archive.c.facts)))
        archived = 0 if gone is None else int(gone[0] or 0)
        return Growth(row.oldest_us, max(int(row.facts or 0) - archived, 0), max(int(row.recent or 0), 0))

    async def last_read(self, printer: str) -> PlateauRead | None:
        """The latest finished run of good readings, the open one aside."""
        statement = select(*schema.CHECKED).where(_FACT.printer == printer, _FACT.kind == "reading", _STANDS)
        row = await self._reader.first(statement.order_by(_FACT.at_us.desc(), _FACT.seq.desc()))
        fact = None if row is None else self._reader.damage.fact(row)
        return fact if isinstance(fact, PlateauRead) else None

    async def last_reads(self) -> AsyncIterator[PlateauRead]:
        """ports.queries.FactQueries."""
        inner = schema.fact.alias("latest")
        newest = select(inner.c.seq).where(
            inner.c.printer == _RUN.printer, inner.c.kind == "reading", inner.c.shift_us.is_not(None)
        )
        newest = newest.order_by(inner.c.at_us.desc(), inner.c.seq.desc()).limit(1).correlate(schema.open_run)
        its = and_(_FACT.printer == _RUN.printer, _FACT.seq == newest.scalar_subquery())
        async for fact in self._of_all(select(*schema.CHECKED).join_from(schema.open_run, schema.fact, its)):
            if isinstance(fact, PlateauRead):
                yield fact

    async def printer_notes(self) -> AsyncIterator[PrinterNoted]:
        """ports.queries.FactQueries."""
        names = await self.printers()
        wanted = select(*schema.CHECKED).where(schema.few_kinds(), _FACT.kind == PRINTER_NOTED, _STANDS)
        for first in range(0, len(names), PAGE_ROWS):
            of_page = wanted.where(_FACT.printer.in_(names[first : first + PAGE_ROWS]))
            for row in await self._reader.rows(of_page.order_by(_FACT.printer, _FACT.at_us, _FACT.seq)):
                fact = self._reader.damage.fact(row)
                if isinstance(fact, PrinterNoted):
                    yield fact

    async def _of_all(self, wanted: Select[Any]) -> AsyncIterator[Fact | FactDamaged]:
        """Of printers that have a run, a page of names at a time."""
        name = ""
        while True:
            page = select(_RUN.printer).where(_RUN.printer > name).order_by(_RUN.printer).limit(PAGE_ROWS)
            names = await self._reader.rows(page)
            if not names:
                return
            last = names[-1].printer
            rows = await self._reader.rows(wanted.where(_RUN.printer > name, _RUN.printer <= last))
            for row in rows:
                yield self._reader.damage.fact(row)
            name = last

    async def open_runs(self) -> AsyncIterator[tuple[str, OpenRun]]:
        """Every printer's, in bounded pages."""
        name = ""
        while True:
            page = select(_RUN.printer, _RUN.body).where(_RUN.printer > name).order_by(_RUN.printer)
            rows = await self._reader.rows(page.limit(PAGE_ROWS))
            for row in rows:
                run = self._run_of(row.printer, row.body)
                if run is not None:
                    yield row.printer, OpenRun(run)
            if len(rows) < PAGE_ROWS:
                return
            name = rows[-1].printer

    def _run_of(self, printer: str, body: str) -> PlateauRead | ReadFailed | None:
        known = None if self.kept is None else self.kept.run(printer, body)
        if known is not None:
            return known
        run = self._reader.damage.run(printer, body)
        if run is not None and self.kept is not None:
            self.kept.keep_run(printer, body, run)
        return run

    async def standing_facts(self, printer: str) -> Sequence[StoredFact]:
        """In order of their numbers."""
        statement = select(*schema.CHECKED).where(_FACT.printer == printer, schema.few_kinds(), _STANDS)
        # Ordered here: asked for an order by number, SQLite would rather walk through all of the printer's facts.
        rows = sorted(await self._reader.rows(statement.where(_FACT.kind != "assigned")), key=attrgetter("seq"))
        return [StoredFact(row.seq, self._reader.damage.fact(row)) for row in rows]

    async def people_facts(self) -> AsyncIterator[Fact]:
        """As ports.reads says, in bounded pages."""
        after: int | None = 0
        while after is not None:
            said = _page("", after, None).where(_FACT.kind.in_(PEOPLE_KINDS))
            rows = await self._reader.rows(said)
            for row in rows:
                fact = self._reader.damage.fact(row)
                if not isinstance(fact, FactDamaged):
                    yield fact
            after = rows[-1].seq if len(rows) == PAGE_ROWS else None

    async def people_since(self, after: int) -> tuple[int, bool]:
        """As ports.reads says: by the key of the site's timeline, from ``after`` on."""
        of_site = _FACT.printer == ""
        tail = select(func.coalesce(func.max(_FACT.seq), 0)).where(of_site).scalar_subquery()
        newer = exists().where(of_site, _FACT.seq > after, _FACT.kind.in_(PEOPLE_CHANGING))
        row = await self._reader.first(select(tail.label("tail"), newer.label("newer")))
        return (0, False) if row is None else (int(row.tail), bool(row.newer))

    async def page_decisions(self) -> AsyncIterator[PagesDecided]:
        """ports.decisions.DecisionReads. They have a source of their own, so that its index finds them."""
        async for fact in self._of_our_source(DECISIONS_SOURCE):
            if isinstance(fact, PagesDecided):
                yield fact

    async def noted_readings(self) -> AsyncIterator[ReadingNoted]:
        """ports.noted_readings.PanelReads. They have a source of their own too."""
        async for fact in self._of_our_source(READINGS_SOURCE):
            if isinstance(fact, ReadingNoted):
                yield fact

    async def _of_our_source(self, source: str) -> AsyncIterator[Fact | FactDamaged]:
        """Of this journal and then of each of the others, whose own one it is there."""
        sites = await self._reader.rows(select(schema.origin.c.site).where(schema.origin.c.number > 0))
        for name in (source, *sorted(source_at(row.site, source) for row in sites)):
            async for fact in self._of_source(name):
                yield fact

    async def _of_source(self, source: str) -> AsyncIterator[Fact | FactDamaged]:
        wanted = select(*schema.CHECKED).where(_FACT.source == source, _STANDS)
        order = (_FACT.at_us, _FACT.printer, _FACT.seq)
        after: tuple[int, str, int] | None = None
        while True:
            page = wanted if after is None else wanted.where(_FACT.at_us >= after[0], tuple_(*order) > after)
            rows = await self._reader.rows(page.order_by(*order).limit(PAGE_ROWS))
            for row in rows:
                yield self._reader.damage.fact(row)
            if len(rows) < PAGE_ROWS:
                return
            after = (rows[-1].at_us, rows[-1].printer, rows[-1].seq)

    async def release_facts(self, source: str, release: str) -> Sequence[Fact]:
        """The latest RELEASE_FACTS_MAX; of equal instants in order of printer and number."""
        statement = select(*schema.CHECKED).where(schema.sent_by(source), _FACT.release == release, _STANDS)
        latest = statement.order_by(_FACT.at_us.desc(), _FACT.printer.desc(), _FACT.seq.desc())
        return (await self._facts_of(latest.limit(RELEASE_FACTS_MAX)))[::-1]

    async def release_starts(
        self, source: str, releases: Sequence[str], from_us: int, until_us: int
    ) -> Sequence[ReleaseStarted]:
        # By its dates, as a column by itself, SQLite would rather walk through all that the source sent meanwhile.
        within = (_FACT.at_us + 0).between(from_us, until_us)
        statement = select(*schema.CHECKED).where(schema.sent_by(source), _FACT.release.in_(releases), within, _STANDS)
        rows = sorted(await self._reader.rows(statement), key=_place)
        facts = (self._reader.damage.whole(row) for row in rows)
        return [one for one in facts if isinstance(one, ReleaseStarted)]

    async def late_facts(self, printer: str, at_us: int) -> Sequence[Fact]:
        """The first LATE_FACTS_MAX of them, the earliest first; decisions of any instant among them."""
        of_rows = select(func.min(_FACT.seq).label("seq")).where(_FACT.printer == printer, _FACT.at_us > at_us)
        # What left the journal was stored at some time, too: rather a few facts too many than one too few.
        of_parts = select(func.min(_PART.first_seq).label("seq")).where(_PART.printer == printer, _PART.last_us > at_us)
        row = await self._reader.first(select(func.min(of_rows.union_all(of_parts).subquery().c.seq)))
        if row is None or row[0] is None:
            return []
        wanted = (_FACT.printer == printer, _FACT.seq >= row[0])
        late = or_(_FACT.at_us <= at_us, _FACT.kind == DECIDED)
        statement = select(*schema.CHECKED).where(*wanted, late, _STANDS).order_by(_FACT.at_us, _FACT.seq)
        return await self._facts_of(statement.limit(LATE_FACTS_MAX))

    async def badge_facts(self, from_us: int | None = None) -> AsyncIterator[Fact]:
        """In order of instant, printer and number, in bounded pages; with what the journal says of itself."""
        losses = deque(await self._losses(from_us))
        async for row in self._badge_rows(from_us):
            while losses and _place(losses[0]) < _place(row):
                yield self._reader.damage.fact(losses.popleft())
            yield self._reader.damage.fact(row)
        for loss in losses:
            yield self._reader.damage.fact(loss)

    async def _losses(self, from_us: int | None) -> Sequence[Row[Any]]:
        """Of what the journal says of itself the latest LOSSES_MAX, in the same order."""
        named = select(*schema.CHECKED).where(_FACT.source == JOURNAL_SOURCE, schema.OWN)
        since = named.where(_FACT.at_us >= (0 if from_us is None else from_us))
        rows = await self._reader.rows(since.order_by(_FACT.at_us.desc()).limit(LOSSES_MAX))
        return sorted(rows, key=_place)

    async def _badge_rows(self, from_us: int | None) -> AsyncIterator[Row[Any]]:
        order = (_FACT.at_us, _FACT.printer, _FACT.seq)
        place: tuple[int, str, int] = (0 if from_us is None else from_us, "", 0)
        while True:
            of_ours = (schema.badge_kinds(), schema.OWN)
            statement = select(*schema.CHECKED).where(*of_ours, tuple_(*order) > tuple_(*place), _STANDS)
            rows = await self._reader.rows(statement.order_by(*order).limit(PAGE_ROWS))
            for row in rows:
                yield row
            if len(rows) < PAGE_ROWS:
                return
            place = (rows[-1].at_us, rows[-1].printer, rows[-1].seq)

    async def unrouted_ends(self) -> Sequence[Fact]:
        """At most UNROUTED_MAX of them."""
        statement = select(*schema.CHECKED).where(schema.unrouted_ends(), _STANDS)
        return await self._facts_of(statement.order_by(_FACT.at_us.desc(), _FACT.seq.desc()).limit(UNROUTED_MAX))

    async def _facts_of(self, statement: Select[Any]) -> list[Fact]:
        """Damaged ones are left out: their printers' own facts tell of them."""
        known = (self._reader.damage.whole(row) for row in await self._reader.rows(statement))
        return [fact for fact in known if fact is not None]


def _place(row: Row[Any]) -> tuple[int, str, int]:
    return row.at_us, row.printer, row.seq


def _page(printer: str, after: int, from_us: int | None) -> Select[Any]:
    statement = select(*schema.CHECKED).where(_FACT.printer == printer, _FACT.seq > after, _STANDS)
    if from_us is not None:
        statement = statement.where(_FACT.at_us >= from_us)
    return statement.order_by(_FACT.seq).limit(PAGE_ROWS)


def _is_of_a_site(name: ColumnElement[str]) -> ColumnElement[bool]:
    """Of another journal, whose site's name it begins with."""
    site = schema.origin.c.site
    qualified = (name >= site.concat(DIVIDER), name < site.concat(AFTER_DIVIDER))
    return exists().where(site.is_not(None), *qualified)


def _printer_names() -> CTE:
    """Of all printers that have facts, and a last row of none; found step by step down an index."""
    first = select(func.min(_FACT.printer).label("name")).where(_FACT.printer > "").cte("names", recursive=True)
    step = select(func.min(_FACT.printer)).where(_FACT.printer > first.c.name).scalar_subquery()
    return first.union_all(select(step).where(first.c.name.is_not(None)))
