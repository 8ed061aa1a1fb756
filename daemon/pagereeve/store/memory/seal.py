"""The seal of the journal in memory: the same bytes and digests, of facts that nobody can have edited."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, replace

from pagereeve.domain.facts.facts import Fact, PagesDecided, Redated
from pagereeve.domain.facts.redating import concerned, redated
from pagereeve.domain.facts.sites import of_site, site_of
from pagereeve.domain.forwarding.batch import SealedBody, SealedPlace
from pagereeve.domain.seal.chain import entry, fact_digest
from pagereeve.domain.seal.merkle import head_of, leaf_hash
from pagereeve.ports.archives import ArchivedEntry, ArchiveFile, ArchivePart, FileState
from pagereeve.ports.journal import StoredFact
from pagereeve.ports.seal import PLACES_MAX, FactSurvey, NewlyStored, SealedContent, SealedEntry, SealHead
from pagereeve.store.records.batch import Numbered
from pagereeve.store.records.checked_rows import digest_of_body, digest_text
from pagereeve.store.records.erasing import ErasedRow
from pagereeve.store.records.fact_record import FactRecord, fact_of, file
from pagereeve.store.records.found_rows import found, opened, shifted_us
from pagereeve.store.records.sealing import Salts, SealedFact, SealState, content_of, new_origin, seal_filed


@dataclass(slots=True)
class Row:
    """A row as a database has it (found_rows.SealedRow), under what is sealed of it."""

    sealed: SealedFact
    fact: Fact
    printer: str
    seq: int
    kind: str
    at_us: int
    source: str | None
    event_id: str | None
    release: str | None
    body: str
    digest: str | None
    shift_us: int | None
    openings: str
    origin: int

    @classmethod
    def of(cls, sealed: SealedFact, one: Numbered) -> Row:
        filing = one.filing
        source, event_id = filing.identity or (None, None)
        key = (sealed, filing.fact, filing.printer, one.seq, filing.kind, filing.at_us, source, event_id)
        return cls(*key, filing.release, filing.body, digest_text(filing), 0, sealed.openings, filing.origin)

    def erase(self, erased: ErasedRow) -> FactRecord:
        """What it is from now on, for whoever else holds it."""
        self.body, self.openings, self.digest = erased.body, erased.openings, digest_of_body(erased.body)
        self.event_id = None if self.source is None else erased.event_id
        fact = fact_of(self.body)
        self.fact = of_site(fact, site_of(self.printer)) if self.origin else fact
        return replace(file(redated(self.fact, self.shift_us or 0)), digest="", origin=self.origin)

    def said(self) -> FactRecord:
        """As it was stored, whatever date it has since."""
        return replace(file(self.fact), digest="", origin=self.origin)

    def move(self, by_us: int | None) -> None:
        """None makes it void."""
        self.shift_us = None if by_us is None or self.shift_us is None else self.shift_us + by_us
        self.at_us = shifted_us(self.fact, self.shift_us)


class MemorySeal:
    """The part of MemoryJournal that seals: ports.seal.SealReads; nothing leaves it (ports.archives.ArchiveReads)."""

    def __init__(self, salts: Salts = os.urandom) -> None:
        self._salts = salts
        self._seal = SealState(new_origin(salts))
        self._sealed: dict[int, Row] = {}

    def _add_sealed(self, facts: Sequence[Numbered]) -> None:
        filed = [(one.seq, one.filing) for one in facts]
        for one, sealed in zip(facts, seal_filed(self._seal, filed, lambda _: None, self._salts), strict=True):
            self._sealed[sealed.position] = Row.of(sealed, one)

    def decided_after(self, position: int) -> Sequence[PagesDecided]:
        """records.batch.Stored."""
        rows = (row for place, row in self._sealed.items() if place > position and not row.origin)
        return [row.fact for row in rows if isinstance(row.fact, PagesDecided)]

    def _sealed_row(self, printer: str, seq: int) -> Row | None:
        return next((one for one in self._sealed.values() if (one.printer, one.seq) == (printer, seq)), None)

    def _move_sealed(self, seq: int, by: Redated) -> None:
        """``seq`` is the number of what says so: rows below it are concerned."""
        for row in self._sealed.values():
            if row.printer != by.printer or row.seq >= seq or row.shift_us is None:
                continue
            if concerned(redated(row.fact, row.shift_us), by):
                row.move(by.by_us)

    async def own_origin(self) -> str:
        """ports.origins.OriginReads."""
        return self._seal.origin

    async def seal_head(self) -> SealHead | None:
        leaves = (leaf_hash(entry(self._seal.origin, one.printer, one.seq, one.sealed.link)) for one in self._rows())
        return SealHead(self._seal.origin, len(self._sealed), head_of(leaves).hex(), 0, 0)

    def _rows(self) -> list[Row]:
        return [self._sealed[position] for position in sorted(self._sealed)]

    async def last_position(self) -> int:
        return max(self._sealed, default=0)

    async def stored_after(self, position: int, limit: int) -> Sequence[NewlyStored]:
        rows = [one for one in self._rows() if one.sealed.position > position][:limit]
        return [
            NewlyStored(
                *(one.sealed.position, one.printer, one.kind, None if one.shift_us is None else one.at_us),
                *(one.source, one.event_id, one.release),
            )
            for one in rows
        ]

    async def sealed_facts(self, after: int = 0) -> AsyncIterator[SealedEntry]:
        for one in self._rows():
            if one.sealed.position > after:
                yield SealedEntry(one.sealed.position, one.printer, one.seq, one.sealed.link, found(one))

    async def sealed_links(self) -> AsyncIterator[SealedEntry]:
        for one in self._rows():
            yield SealedEntry(one.sealed.position, one.printer, one.seq, one.sealed.link)

    async def fact_survey(self) -> FactSurvey:
        redatings = [StoredFact(one.seq, one.fact) for one in self._rows() if isinstance(one.fact, Redated)]
        return FactSurvey((), sorted(redatings, key=lambda stored: (stored.fact.printer, stored.seq)))

    async def digest_as(self, printer: str, position: int, other: int) -> bytes | None:
        there, here = self._sealed_row(printer, other), self._sealed.get(position)
        content = None if there is None or here is None else content_of(there.body, here.openings)
        return None if content is None else fact_digest(content)

    async def sealed_content(self, printer: str, seq: int) -> SealedContent | None:
        row = self._sealed_row(printer, seq)
        return None if row is None else opened(row)

    async def sealed_bodies(self, after: int, limit: int) -> Sequence[SealedBody]:
        rows = [one for one in self._rows() if one.sealed.position > after][:limit]
        return [SealedBody(_place(one), *((None,) if one.origin else (one.body, one.openings))) for one in rows]

    async def sealed_place(self, place: int) -> SealedPlace | None:
        return None if place not in self._sealed else _place(self._sealed[place])

    async def link_before(self, timeline: str, seq: int) -> bytes | None:
        before = [one for one in self._rows() if one.printer == timeline and one.seq < seq]
        return before[-1].sealed.link if before else None

    async def release_places(self, source: str, release: str) -> Sequence[tuple[str, int]]:
        known = [one for one in self._rows() if (one.source, one.release) == (source, release)]
        ordered = sorted(known, key=lambda one: (one.at_us, one.printer, one.seq))
        return [(one.printer, one.seq) for one in ordered[:PLACES_MAX]]

    async def wrong_claims(self) -> Sequence[tuple[str, int]]:
        return ()

    async def file_troubles(self) -> Sequence[str]:
        return ()

    async def archives(self) -> Sequence[ArchiveFile]:
        return ()

    async def archive_parts(self, name: str) -> AsyncIterator[ArchivePart]:  # noqa: ARG002 - none is in memory
        none: Sequence[ArchivePart] = ()
        for part in none:
            yield part

    async def archive_state(self, file: ArchiveFile, *, read: bool = True) -> FileState:  # noqa: ARG002 - as above
        return "missing"

    async def archived_entries(self, part: ArchivePart) -> Sequence[ArchivedEntry]:  # noqa: ARG002 - as above
        return ()


def _place(row: Row) -> SealedPlace:
    return SealedPlace(row.printer, row.seq, row.sealed.link)
