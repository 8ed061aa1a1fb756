"""Facts that left the journal: read from their files in order among those that stayed, or refused by name."""

from __future__ import annotations

import asyncio
import hashlib
from collections import deque
from collections.abc import AsyncIterator, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Row, select

from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed, instant_us
from pagereeve.domain.seal.chain import fact_digest, first_link
from pagereeve.domain.values.errors import BadFact
from pagereeve.ports.archives import (
    ARCHIVES_MAX,
    ArchivedEntry,
    ArchiveFile,
    ArchivePart,
    ArchiveUnread,
    FileState,
)
from pagereeve.ports.journal import StoredFact
from pagereeve.ports.seal import FoundFact
from pagereeve.store.records.archive_parts import ArchivedBody, BadPart, readable_facts, unpacked_part
from pagereeve.store.records.archive_places import read_places
from pagereeve.store.records.fact_record import READING_KINDS, fact_of, file
from pagereeve.store.records.sealing import content_of
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.driven import AT_ONCE_MAX
from pagereeve.store.sql.snapshots import PAGE_ROWS, Reader

PARTS_AT_ONCE: Final = 1_000

_FILE: Final = schema.archive.c
_PART: Final = schema.archive_part.c
_ENTRY: Final = schema.seal_entry.c
_FACT: Final = schema.fact.c
_IN_ORDER: Final = select(schema.archive).order_by(_FILE.from_us, _FILE.name).limit(ARCHIVES_MAX)
_BROKEN: Final = (BadFact, ValueError, TypeError, KeyError, RecursionError)


class ArchivedFacts:
    """A printer's facts in files, from an instant on, to be read among its rows in order of their numbers."""

    def __init__(self, reader: Reader, printer: str, after: int = 0, from_us: int | None = None) -> None:
        self._reader = reader
        self._printer = printer
        self._after = after
        self._from_us = from_us
        self._held: tuple[ArchivePart, Sequence[StoredFact]] | None = None

    async def among(self, rows: Iterable[StoredFact], upto: int | None) -> AsyncIterator[StoredFact]:
        """With the next page of rows, which ends with ``upto`` (None: with the last one). To be called after the page
        was read: what is removed meanwhile was recorded before. A fact that is in both comes once.

        Raises ArchiveUnread.
        """
        rest = deque(rows)
        async for one in self._until(upto):
            while rest and rest[0].seq < one.seq:
                yield rest.popleft()
            if not rest or rest[0].seq != one.seq:
                yield one
        for row in rest:
            yield row
        self._after = self._after if upto is None else upto

    async def _until(self, upto: int | None) -> AsyncIterator[StoredFact]:
        after = self._after
        while parts := await self._parts(after, upto):
            for part in parts:
                for one in await self._facts(part):
                    if one.seq > after and (upto is None or one.seq <= upto):
                        yield one
            if len(parts) < PARTS_AT_ONCE:
                return
            after = parts[-1].last_seq

    async def _parts(self, after: int, upto: int | None) -> Sequence[ArchivePart]:
        wanted = select(*schema.PART).where(_PART.printer == self._printer, _PART.last_seq > after)
        if upto is not None:
            wanted = wanted.where(_PART.first_seq <= upto)
        if self._from_us is not None:
            wanted = wanted.where(_PART.last_us >= self._from_us)
        rows = await self._reader.rows(wanted.order_by(_PART.first_seq).limit(PARTS_AT_ONCE))
        return [part_of(row) for row in rows]

    async def _facts(self, part: ArchivePart) -> Sequence[StoredFact]:
        if self._held is None or self._held[0] != part:
            facts = await asyncio.to_thread(facts_of_part, self._reader.archives, part)
            if self._from_us is not None:
                facts = [one for one in facts if instant_us(one.fact) >= self._from_us]
            self._held = (part, facts)
        return self._held[1]


def facts_of_part(folder: Path | None, part: ArchivePart) -> list[StoredFact]:
    """Raises ArchiveUnread."""
    return [StoredFact(one.seq, fact) for one, fact in _whole_part(folder, part)]


def archived_bodies(folder: Path | None, part: ArchivePart) -> list[ArchivedBody]:
    """Raises ArchiveUnread."""
    return [one for one, _ in _whole_part(folder, part)]


def _whole_part(folder: Path | None, part: ArchivePart) -> list[tuple[ArchivedBody, Fact]]:
    try:
        bodies = unpacked_part(_read(_path(folder, part.file), part.offset_bytes, part.size_bytes), part.sha256)
        facts = [(one, _reading_of(one.body, part.printer)) for one in bodies]
    except FileNotFoundError as error:
        raise _unread(part, f"is not in {folder}: put it there") from error
    except OSError as error:
        raise _unread(part, f"in {folder} can't be read ({error.strerror})") from error
    except _BROKEN as error:
        why = (
            f"in {folder} is not what was archived ({error}): put a whole copy there; pagereeve verify names the facts"
        )
        raise _unread(part, why) from error
    if (len(facts), facts[0][0].seq, facts[-1][0].seq) != (part.facts, part.first_seq, part.last_seq):
        raise _unread(part, f"in {folder} holds other facts than were recorded; pagereeve verify names them")
    return facts


def _unread(part: ArchivePart, why: str) -> ArchiveUnread:
    return ArchiveUnread(
        f"archive {part.file}, which holds readings {part.first_seq} to {part.last_seq} of {part.printer}, {why}. "
        "Nothing is computed of a part of the facts"
    )


def _reading_of(body: str, printer: str) -> Fact:
    """Raises one of _BROKEN."""
    fact = fact_of(body)
    if fact.printer != printer or not isinstance(fact, PlateauRead | ReadFailed):
        raise BadPart("a fact of another printer, or of another kind")
    return fact


def _path(folder: Path | None, name: str) -> Path:
    """Raises FileNotFoundError for what can be no file of the folder."""
    if folder is None or Path(name).name != name:
        raise FileNotFoundError(name)
    return folder / name


def _read(path: Path, offset_bytes: int, size_bytes: int) -> bytes:
    with path.open("rb") as opened:
        opened.seek(offset_bytes)
        return opened.read(size_bytes)


class ArchiveReads:
    """ports.archives.ArchiveReads."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def archives(self) -> Sequence[ArchiveFile]:
        rows = await self._reader.rows(_IN_ORDER)
        return [ArchiveFile(**{**row._mapping, "removed": bool(row.removed)}) for row in rows]  # noqa: SLF001 - SQLAlchemy's

    async def archive_parts(self, name: str) -> AsyncIterator[ArchivePart]:
        of_file = select(*schema.PART).where(_PART.file == name).order_by(_PART.printer, _PART.first_seq)
        place: tuple[str, int] = ("", -1)
        while True:
            behind = (_PART.printer > place[0]) | ((_PART.printer == place[0]) & (_PART.first_seq > place[1]))
            rows = await self._reader.rows(of_file.where(behind).limit(PAGE_ROWS))
            for row in rows:
                yield part_of(row)
            if len(rows) < PAGE_ROWS:
                return
            place = (rows[-1].printer, rows[-1].first_seq)

    async def parts_of_printer(self, printer: str) -> Sequence[ArchivePart]:
        rows = await self._reader.rows(select(*schema.PART).where(_PART.printer == printer))
        return sorted((part_of(row) for row in rows), key=lambda part: part.first_seq)

    async def archive_state(self, file: ArchiveFile, *, read: bool = True) -> FileState:
        return await asyncio.to_thread(_state, self._reader.archives, file, read=read)

    async def archived_entries(self, part: ArchivePart) -> Sequence[ArchivedEntry]:
        of_it = (_FACT.printer == part.printer, _FACT.seq.between(part.first_seq - 1, part.last_seq))
        rows = await self._reader.rows(select(_FACT.seq, _FACT.kind, _FACT.place).where(*of_it))
        there = {row.seq for row in rows if row.kind in READING_KINDS}
        links = await self._links(part, {row.seq: row.place for row in rows})
        origin = await self._reader.first(select(schema.seal.c.origin))
        if part.first_seq == 1 and origin is not None:
            links[0] = first_link(origin.origin, part.printer)
        found = await asyncio.to_thread(_found, self._reader.archives, part)
        return [
            ArchivedEntry(one.seq, fact, links.get(one.seq - 1), links.get(one.seq), one.seq in there)
            for one, fact in found
        ]

    async def _links(self, part: ArchivePart, places: dict[int, int]) -> dict[int, bytes | None]:
        """By number, from the one before the part on. ``places`` are those of the rows that are there."""
        for seq in (part.last_seq, part.first_seq - 1):
            places = await archived_places(self._reader, part.printer, seq) | places
        wanted = sorted(set(places.values()))
        links: dict[int, bytes | None] = {}
        for start in range(0, len(wanted), AT_ONCE_MAX):
            some = _ENTRY.position.in_(wanted[start : start + AT_ONCE_MAX])
            sealed = select(_ENTRY.seq, _ENTRY.link).where(some, _ENTRY.printer == part.printer)
            links |= {row.seq: _link(row.link) for row in await self._reader.rows(sealed)}
        return links


async def archived_places(reader: Reader, printer: str, seq: int) -> dict[int, int]:
    """Of the part that has this number among its own, by number; empty where there is none."""
    of_it = select(_PART.first_seq, _PART.last_seq, _PART.places).where(_PART.printer == printer)
    row = await reader.first(of_it.where(_PART.first_seq <= seq).order_by(_PART.first_seq.desc()))
    return {} if row is None or row.last_seq < seq else read_places(str(row.places), row.first_seq)


def part_of(row: Row[Any]) -> ArchivePart:
    return ArchivePart(**row._mapping)  # noqa: SLF001 - SQLAlchemy's


def _link(text: object) -> bytes | None:
    try:
        return bytes.fromhex(str(text))
    except ValueError:
        return None


def _state(folder: Path | None, file_: ArchiveFile, *, read: bool) -> FileState:
    try:
        path = _path(folder, file_.name)
        if path.stat().st_size != file_.size_bytes:
            return "differs"
        if not read:
            return "whole"
        with path.open("rb") as opened:
            digest = hashlib.file_digest(opened, "sha256").hexdigest()
    except FileNotFoundError:
        return "missing"
    except OSError:
        return "differs"
    return "whole" if digest == file_.sha256 else "differs"


def _found(folder: Path | None, part: ArchivePart) -> list[tuple[ArchivedBody, FoundFact]]:
    try:
        packed = _read(_path(folder, part.file), part.offset_bytes, part.size_bytes)
    except OSError:
        # Whether it is there archive_state says; what can't be read of it is missed by its number.
        return []
    return [(one, _found_fact(one.body, part.printer)) for one in _distinct(readable_facts(packed))]


def _distinct(bodies: Iterable[ArchivedBody]) -> Iterator[ArchivedBody]:
    """Their numbers rise: what repeats one is not counted again."""
    last = 0
    for one in bodies:
        if one.seq > last:
            last = one.seq
            yield one


def _found_fact(body: str, printer: str) -> FoundFact:
    content = content_of(body, "")
    digest = None if content is None else fact_digest(content)
    try:
        fact = _reading_of(body, printer)
    except _BROKEN:
        return FoundFact("", digest, None, 0, None)
    return FoundFact(file(fact).kind, digest, fact, instant_us(fact), 0)
