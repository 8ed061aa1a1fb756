"""Facts leave the journal: which may, what is recorded of the file that holds them, and their removal."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from itertools import groupby
from typing import Any, Final

from sqlalchemy import Connection, Row, bindparam, delete, func, insert, select, update

from pagereeve.ports.archives import ArchiveFile, ArchivePart
from pagereeve.store.records.archive_parts import PART_FACTS_MAX, ArchivedBody, can_be_archived
from pagereeve.store.records.archive_places import SPAN_MAX, written_places
from pagereeve.store.records.checked_rows import Damage
from pagereeve.store.records.fact_record import READING_KINDS
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.adding import Adding
from pagereeve.store.sql.snapshots import Reader

PERIOD_FACTS_MAX: Final = 200_000
"""Of one printer in one period. What is more stays for the next time."""

_FACT: Final = schema.fact.c
_ENTRY: Final = schema.seal_entry.c
_PART: Final = schema.archive_part.c
_PARTS: Final = Adding(schema.archive_part)
_REMOVING: Final = Adding(schema.archive_removing)
_NAMED: Final = schema.archive_removing.c
_REMOVE: Final = delete(schema.fact).where(
    _FACT.printer == bindparam("of"),
    _FACT.seq.in_(select(_NAMED.seq).where(_NAMED.printer == bindparam("named"))),
)


class ArchivableReads:
    """What of a printer may leave the journal."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def archivable(self, printer: str, from_us: int, before_us: int) -> Sequence[Sequence[ArchivedBody]]:
        """Readings of these instants, as many as a part holds at once, in order of their numbers: whole, as sealed by
        the number of their members, with the date under which they were stored, and beside no part that is there.

        A printer's latest fact and its latest standing reading stay: numbers go on from there, and questions ask for
        it.
        """
        last, newest = await self._kept(printer)
        rows = await self._reader.rows(
            select(*schema.CHECKED, _ENTRY.openings)
            .select_from(schema.fact.join(schema.seal_entry, schema.SEALED))
            .where(_FACT.printer == printer, _FACT.at_us >= from_us, _FACT.at_us < before_us)
            .where(schema.OWN, _FACT.kind.in_(READING_KINDS), _FACT.shift_us == 0, _FACT.seq.not_in((last, newest)))
            .order_by(_FACT.at_us, _FACT.seq)
            .limit(PERIOD_FACTS_MAX)
        )
        known = await self._reader.rows(select(_PART.first_seq, _PART.last_seq).where(_PART.printer == printer))
        ranges = sorted((row.first_seq, row.last_seq) for row in known)
        whole = sorted((row for row in rows if _may_go(row)), key=lambda row: row.seq)
        return list(_in_parts([ArchivedBody(row.seq, row.body) for row in whole], ranges))

    async def _kept(self, printer: str) -> tuple[int, int]:
        last = await self._reader.first(select(func.max(_FACT.seq)).where(_FACT.printer == printer))
        standing = (_FACT.printer == printer, _FACT.kind == "reading", _FACT.shift_us.is_not(None))
        newest = await self._reader.first(
            select(_FACT.seq).where(*standing).order_by(_FACT.at_us.desc(), _FACT.seq.desc())
        )
        return (0 if last is None else last[0] or 0), (0 if newest is None else newest.seq)


def _may_go(row: Row[Any]) -> bool:
    return not row.openings and can_be_archived(row.body) and Damage().whole(row) is not None


def _in_parts(facts: Sequence[ArchivedBody], ranges: Sequence[tuple[int, int]]) -> Iterator[Sequence[ArchivedBody]]:
    """Parts of a printer never overlap: what lies within one that is there stays, and none is made around one."""
    firsts = [first for first, _ in ranges]

    def between(one: ArchivedBody) -> int:
        return bisect_right(firsts, one.seq)

    free = [one for one in facts if not between(one) or one.seq > ranges[between(one) - 1][1]]
    for _, group in groupby(free, key=between):
        part: list[ArchivedBody] = []
        for one in group:
            if part and (len(part) == PART_FACTS_MAX or one.seq - part[0].seq >= SPAN_MAX):
                yield part
                part = []
            part.append(one)
        yield part


def record_archive(connection: Connection, file: ArchiveFile, parts: Sequence[ArchivePart]) -> None:
    """In the transaction that stores the fact that tells of it."""
    _PARTS.add(connection, [{**asdict(part), "places": _places(connection, part)} for part in parts])
    connection.execute(insert(schema.archive), {**asdict(file), "removed": 0})


def _places(connection: Connection, part: ArchivePart) -> str:
    within = (_FACT.printer == part.printer, _FACT.seq.between(part.first_seq, part.last_seq))
    rows = connection.execute(select(_FACT.seq, _FACT.place).where(*within))
    return written_places(part, {row.seq: row.place for row in rows})


def remove_archived(connection: Connection, printer: str, numbers: Sequence[int]) -> int:
    """How many rows went, in a transaction of its own: the database refuses what no recorded file holds."""
    with connection.begin():
        _REMOVING.add(connection, [{"printer": printer, "seq": one} for one in numbers])
        gone = connection.execute(_REMOVE, {"of": printer, "named": printer}).rowcount
        connection.execute(delete(schema.archive_removing))
    return gone


def finish_archive(connection: Connection, name: str) -> None:
    """None of its facts is in the journal any more."""
    with connection.begin():
        connection.execute(update(schema.archive).where(schema.archive.c.name == name).values(removed=1))
