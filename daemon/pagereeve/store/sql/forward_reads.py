"""What is sealed, as a site forwards it: ports.forwarding.SealedFacts over SQL, in bounded pages."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Row, and_, select

from pagereeve.domain.facts.sites import is_of_any
from pagereeve.domain.forwarding.batch import FACTS_MAX, SealedBody, SealedPlace
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.archive_reads import archived_bodies, archived_places, part_of
from pagereeve.store.sql.snapshots import Reader

_ENTRY: Final = schema.seal_entry.c
_FACT: Final = schema.fact.c
_PART: Final = schema.archive_part.c
_SAME: Final = and_(_FACT.printer == _ENTRY.printer, _FACT.seq == _ENTRY.seq)
_SEALED: Final = (_ENTRY.position, _ENTRY.printer, _ENTRY.seq, _ENTRY.link)
_BODIES: Final = (
    select(*_SEALED, _ENTRY.openings, _FACT.body)
    .select_from(schema.seal_entry.outerjoin(schema.fact, _SAME))
    .order_by(_ENTRY.position)
)
_SITES: Final = select(schema.origin.c.site).where(schema.origin.c.number > 0)
_Bodies = dict[tuple[str, int], str]


class ForwardReads:
    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def sealed_bodies(self, after: int, limit: int) -> Sequence[SealedBody]:
        page = _BODIES.where(_ENTRY.position > after).limit(min(limit, FACTS_MAX))
        rows = await self._reader.rows(page)
        sites = {row.site for row in await self._reader.rows(_SITES)}
        gone = [(row.printer, row.seq) for row in rows if row.body is None and not is_of_any(row.printer, sites)]
        archived = await self._archived(gone)
        bodies = []
        for place, row in enumerate(rows, start=after + 1):
            if row.position != place:
                raise JournalUnavailable(f"nothing is sealed under place {place}; pagereeve verify says more")
            bodies.append(SealedBody(_place(row), None) if is_of_any(row.printer, sites) else _body(row, archived))
        return bodies

    async def _archived(self, wanted: Sequence[tuple[str, int]]) -> _Bodies:
        """Those of them that lie in archives. Their rows were removed after their part was recorded, so a part that is
        not there now will not come. Raises ArchiveUnread.
        """
        found: _Bodies = {}
        looked: set[tuple[str, int]] = set()
        for printer, seq in wanted:
            if (printer, seq) in found or (printer, seq) in looked:
                continue
            looked.add((printer, seq))
            part = select(*schema.PART).where(_PART.printer == printer, _PART.first_seq <= seq)
            row = await self._reader.first(part.where(_PART.last_seq >= seq).order_by(_PART.first_seq.desc()))
            if row is not None:
                bodies = await asyncio.to_thread(archived_bodies, self._reader.archives, part_of(row))
                found |= {(printer, one.seq): one.body for one in bodies}
        return found

    async def sealed_place(self, place: int) -> SealedPlace | None:
        row = await self._reader.first(select(*_SEALED).where(_ENTRY.position == place))
        return None if row is None else _place(row)

    async def link_before(self, timeline: str, seq: int) -> bytes | None:
        row = await self._entry(timeline, seq - 1) if seq > 1 else None
        return None if row is None else _place(row).link

    async def _entry(self, timeline: str, seq: int) -> Row[Any] | None:
        """By the fact's row; or by what was noted where it left the journal; or, where it is gone, by looking back."""
        named = select(*_SEALED).where(_ENTRY.printer == timeline)
        here = named.select_from(schema.fact.join(schema.seal_entry, schema.SEALED))
        row = await self._reader.first(here.where(_FACT.printer == timeline, _FACT.seq == seq))
        if row is not None:
            return row
        place = (await archived_places(self._reader, timeline, seq)).get(seq)
        row = await self._reader.first(named.where(_ENTRY.position == place, _ENTRY.seq == seq))
        if row is not None:
            return row
        return await self._reader.first(named.where(_ENTRY.seq <= seq).order_by(_ENTRY.position.desc()))


def _body(row: Row[Any], archived: Mapping[tuple[str, int], str]) -> SealedBody:
    body = archived.get((row.printer, row.seq)) if row.body is None else row.body
    # A flipped bit may turn a text into a number: SQLite's columns hold any type (sqlite.org/datatype3.html).
    if isinstance(body, str) and isinstance(row.openings, str) and _is_text(body):
        return SealedBody(_place(row), body, row.openings)
    return SealedBody(_place(row), None)


def _is_text(body: str) -> bool:
    """Bytes that are no UTF-8 come as surrogates, which nothing on the way takes."""
    return body.encode(errors="ignore").decode() == body


def _place(row: Row[Any]) -> SealedPlace:
    try:
        return SealedPlace(str(row.printer), int(row.seq), bytes.fromhex(row.link))
    except (TypeError, ValueError):
        problem = f"what is sealed under place {row.position} is damaged; pagereeve verify says more"
        raise JournalUnavailable(problem) from None
