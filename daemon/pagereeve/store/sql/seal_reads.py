"""Reading the seal beside what it seals: ports.seal.SealReads over SQL, in bounded pages."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from typing import Any, Final

from sqlalchemy import Row, Select, and_, func, select, tuple_

from pagereeve.domain.facts.facts import Redated
from pagereeve.domain.seal.chain import fact_digest
from pagereeve.domain.seal.erasure import ERASED
from pagereeve.domain.seal.merkle import Frontier
from pagereeve.domain.values.errors import BadCanonical, BadFact
from pagereeve.ports.journal import StoredFact
from pagereeve.ports.seal import (
    PLACES_MAX,
    UNSEALED_MAX,
    FactSurvey,
    FoundFact,
    NewlyStored,
    SealedContent,
    SealedEntry,
    SealHead,
    UnsealedFact,
)
from pagereeve.store.records.fact_record import REDATED, fact_of, file
from pagereeve.store.records.found_rows import found, opened
from pagereeve.store.records.sealing import content_of
from pagereeve.store.records.title_expiry import title_gone
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.snapshots import Reader
from pagereeve.store.sql.stored_types import readable

PAGE_ENTRIES: Final = 256
"""Of rows that are looked at closely, as many keep the loop for some 20 ms."""
PAGE_LINKS: Final = 2_000
LOOSE_AT_ONCE: Final = 500
PLACE: Final = "place"

_ENTRY: Final = schema.seal_entry.c
_FACT: Final = schema.fact.c
_KEPT: Final = schema.conflict.c
_SAME: Final = and_(_FACT.printer == _ENTRY.printer, _FACT.seq == _ENTRY.seq)
_SEALED: Final = (_ENTRY.position, _ENTRY.printer, _ENTRY.seq, _ENTRY.link, _ENTRY.openings)
_STORED: Final = (
    select(
        *(_ENTRY.position, _ENTRY.printer, _FACT.kind, _FACT.at_us, _FACT.source, _FACT.event_id, _FACT.release),
        _FACT.shift_us,
    )
    .select_from(schema.seal_entry.join(schema.fact, _SAME))
    .order_by(_ENTRY.position)
)
_BESIDE: Final = select(
    *_SEALED,
    *(_FACT.kind, _FACT.at_us, _FACT.source, _FACT.event_id, _FACT.release, _FACT.body, _FACT.digest, _FACT.shift_us),
    *(_FACT.origin, _FACT.place),
)
_FOUND: Final = _BESIDE.select_from(schema.seal_entry.outerjoin(schema.fact, _SAME))
_CONTENT: Final = _BESIDE.select_from(schema.fact.join(schema.seal_entry, schema.SEALED))


class SealReads:
    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def seal_head(self) -> SealHead | None:
        row = await self._reader.first(select(schema.seal))
        return None if row is None else _head(row)

    async def last_position(self) -> int:
        row = await self._reader.first(select(func.max(_ENTRY.position)))
        return 0 if row is None or row[0] is None else int(row[0])

    async def stored_after(self, position: int, limit: int) -> Sequence[NewlyStored]:
        rows = await self._reader.rows(_STORED.where(_ENTRY.position > position).limit(limit))
        return [
            NewlyStored(
                *(row.position, row.printer, row.kind, None if row.shift_us is None else row.at_us),
                *(row.source, row.event_id, row.release),
            )
            for row in rows
        ]

    async def sealed_facts(self, after: int = 0) -> AsyncIterator[SealedEntry]:
        async for row in self._entry_pages(_FOUND, after, PAGE_ENTRIES):
            yield SealedEntry(row.position, row.printer, row.seq, _link(row.link), _found(row))

    async def sealed_links(self) -> AsyncIterator[SealedEntry]:
        async for row in self._entry_pages(select(*_SEALED), 0, PAGE_LINKS):
            yield SealedEntry(row.position, row.printer, row.seq, _link(row.link))

    async def _entry_pages(self, statement: Select[Any], after: int, page_rows: int) -> AsyncIterator[Row[Any]]:
        place: int | None = after
        while place is not None:
            page = statement.where(_ENTRY.position > place).order_by(_ENTRY.position).limit(page_rows)
            rows = await self._reader.rows(page)
            for row in rows:
                yield row
            place = rows[-1].position if len(rows) == page_rows else None

    async def fact_survey(self) -> FactSurvey:
        place: tuple[str, int] | None = ("", -1)
        unsealed: list[UnsealedFact] = []
        redatings: list[StoredFact] = []
        both = schema.fact.outerjoin(schema.seal_entry, schema.SEALED)
        every = select(_FACT.printer, _FACT.seq, _FACT.kind, _ENTRY.position).select_from(both)
        while place is not None:
            page = every.where(tuple_(_FACT.printer, _FACT.seq) > place).order_by(_FACT.printer, _FACT.seq)
            rows = await self._reader.rows(page.limit(PAGE_LINKS))
            for row in await self._unsealed([one for one in rows if one.position is None]):
                if len(unsealed) < UNSEALED_MAX:
                    twin = await self._twin(row.printer, row.seq)
                    unsealed.append(UnsealedFact(row.printer, row.seq, row.kind, twin))
            for row in rows:
                if row.kind == REDATED:
                    redatings += await self._redating(row.printer, row.seq)
            place = (rows[-1].printer, rows[-1].seq) if len(rows) == PAGE_LINKS else None
        return FactSurvey(unsealed, redatings)

    async def _unsealed(self, loose: Sequence[Row[Any]]) -> Sequence[Row[Any]]:
        """Of facts that have no entry at their place: those that have none elsewhere. What has is a fact of which the
        place was edited, and is named with its entry. No index finds it: only after an edit is anything looked for.
        """
        sealed: set[tuple[str, int]] = set()
        for start in range(0, len(loose), LOOSE_AT_ONCE):
            some = [(one.printer, one.seq) for one in loose[start : start + LOOSE_AT_ONCE]]
            named = select(_ENTRY.printer, _ENTRY.seq).where(tuple_(_ENTRY.printer, _ENTRY.seq).in_(some))
            sealed |= {(row.printer, row.seq) for row in await self._reader.rows(named)}
        return [one for one in loose if (one.printer, one.seq) not in sealed]

    async def _redating(self, printer: str, seq: int) -> Sequence[StoredFact]:
        named = select(*schema.CHECKED).where(_FACT.printer == printer, _FACT.seq == seq)
        rows = await self._reader.rows(named)
        facts = [StoredFact(row.seq, self._reader.damage.fact(row)) for row in rows]
        return [one for one in facts if isinstance(one.fact, Redated)]

    async def _twin(self, printer: str, seq: int) -> int | None:
        of_it = (_FACT.printer == printer, _FACT.seq == seq)
        body = select(readable(_FACT.body)).where(*of_it).scalar_subquery()
        alike = readable(_FACT.body) == body
        twin = select(func.min(_FACT.seq)).where(_FACT.printer == printer, _FACT.seq != seq, alike)
        row = await self._reader.first(twin)
        return None if row is None else row[0]

    async def digest_as(self, printer: str, position: int, other: int) -> bytes | None:
        opening = select(_ENTRY.openings).where(_ENTRY.position == position).scalar_subquery()
        there = select(_FACT.body, opening.label("openings")).where(_FACT.printer == printer, _FACT.seq == other)
        row = await self._reader.first(there)
        content = None if row is None else content_of(row.body, row.openings or "")
        return None if content is None else fact_digest(content)

    async def sealed_content(self, printer: str, seq: int) -> SealedContent | None:
        row = await self._reader.first(_CONTENT.where(_FACT.printer == printer, _FACT.seq == seq))
        return None if row is None else opened(row)

    async def release_places(self, source: str, release: str) -> Sequence[tuple[str, int]]:
        named = select(_FACT.printer, _FACT.seq).where(schema.sent_by(source), _FACT.release == release)
        rows = await self._reader.rows(named.order_by(_FACT.at_us, _FACT.printer, _FACT.seq).limit(PLACES_MAX))
        return [(row.printer, row.seq) for row in rows]

    async def file_troubles(self) -> Sequence[str]:
        """Nothing is known of a database's files here; whoever has some says more."""
        return ()

    async def wrong_claims(self) -> Sequence[tuple[str, int]]:
        wrong: list[tuple[str, int]] = []
        place: tuple[str, str, str] | None = ("", "", "")
        key = (_KEPT.source, _KEPT.event_id, _KEPT.digest)
        while place is not None:
            page = select(schema.conflict).where(tuple_(*key) > place).order_by(*key).limit(PAGE_ENTRIES)
            rows = await self._reader.rows(page)
            wrong += [(row.printer, row.seq) for row in rows if not _is_claim(row)]
            place = (rows[-1].source, rows[-1].event_id, rows[-1].digest) if len(rows) == PAGE_ENTRIES else None
        return wrong


def _found(row: Row[Any]) -> FoundFact | None:
    if row.body is None:
        return None
    fact = found(row)
    return fact if row.place == row.position else replace(fact, wrong=(*fact.wrong, PLACE))


def _head(row: Row[Any]) -> SealHead:
    """What can't be a head is one that nothing agrees with."""
    peaks = [_link(peak) for peak in str(row.peaks).split()]
    size = row.size if isinstance(row.size, int) else 0
    whole = size.bit_count() == len(peaks) and None not in peaks
    head = Frontier(size, [peak for peak in peaks if peak is not None]).head().hex() if whole else ""
    return SealHead(str(row.origin), size, head, row.older, row.since_us)


def _link(text: str) -> bytes | None:
    try:
        return bytes.fromhex(text)
    except (TypeError, ValueError):
        return None


def _is_claim(row: Row[Any]) -> bool:
    """Of a claim whose person was erased nobody can say it any more, nor of one whose title's time is over."""
    if str(row.digest).startswith(ERASED):
        return True
    try:
        if title_gone(row.body):
            return True
        filed = file(fact_of(row.body))
    except (BadFact, BadCanonical, ValueError, TypeError, KeyError, RecursionError):
        return False
    return bool(filed.digest == row.digest)
