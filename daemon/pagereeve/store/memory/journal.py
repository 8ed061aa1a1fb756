"""The journal and the ledger in memory, with the same behaviour: for tests, and for projecting a file of facts."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from copy import copy
from dataclasses import replace
from typing import TypeVar

from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.domain.facts.claims import HEARD
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.events import RELEASE_STARTED
from pagereeve.domain.facts.facts import (
    Event,
    Fact,
    PagesDecided,
    PlateauRead,
    PrinterNoted,
    ReadFailed,
    ReadingNoted,
    Redated,
    ReleaseStarted,
)
from pagereeve.domain.facts.redating import NOT_AGREED, REACH_US, concerned, redated_run
from pagereeve.domain.facts.sites import name_at
from pagereeve.domain.facts.union import identity
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import Update
from pagereeve.domain.seal.erasure import erasure_digest
from pagereeve.ports.closing import ClosedPeriod, Closing, ClosingAttempt, PackedRows
from pagereeve.ports.erasing import Erasure, ErasureOutcome, TitleExpiry, TitlesExpired
from pagereeve.ports.journal import DamagedRow, JournalUnavailable, OpenRun, StoredFact
from pagereeve.ports.kept_facts import KeptFacts
from pagereeve.ports.kept_sums import RowsState
from pagereeve.ports.ledger import StaleRows
from pagereeve.ports.origins import Forwarded, ForwardedFact
from pagereeve.ports.outbox import Announcement, QueueRemoval
from pagereeve.ports.queries import LAST_EVENTS_OF_SOURCE, SOURCES_LOOKED_AT, Growth
from pagereeve.store.memory.appends import MemoryAppends
from pagereeve.store.memory.closed import MemoryClosed
from pagereeve.store.memory.forwarded import MemoryOrigins
from pagereeve.store.memory.numbered import as_stored, has_title, is_checked, last, moved, place_of, source_of
from pagereeve.store.memory.seal import MemorySeal, Row
from pagereeve.store.records.batch import Batch, First, KeptAside, Numbered, Replacement
from pagereeve.store.records.erasing import ErasedRow, Eraser, own_badges
from pagereeve.store.records.fact_record import (
    DECIDED,
    ENDED,
    PEOPLE_CHANGING,
    PEOPLE_KINDS,
    STANDING_KINDS,
    Identity,
    open_body,
    run_of,
)
from pagereeve.store.records.forwarded import identities_of, join_new
from pagereeve.store.records.frozen_rows import closed_fact, packed_rows
from pagereeve.store.records.nobody_else import NobodyElse
from pagereeve.store.records.requests import (
    Post,
    StoreRequest,
    Turn,
    append_request,
    observe_request,
    replace_request,
)
from pagereeve.store.records.rows_versions import RowsVersions
from pagereeve.store.records.sealing import Salts
from pagereeve.store.records.title_expiry import TitleEraser
from pagereeve.store.sql.fact_reads import (
    DELAYS_MAX,
    LATE_FACTS_MAX,
    RELEASE_FACTS_MAX,
    UNROUTED_MAX,
)

Answer = TypeVar("Answer")


class MemoryJournal(MemoryAppends, MemoryClosed, MemorySeal, MemoryOrigins):
    """``unavailable``: set it to a reason, and nothing can be stored until it is empty again."""

    following = NobodyElse

    def __init__(self, salts: Salts = os.urandom) -> None:
        MemoryClosed.__init__(self)
        MemorySeal.__init__(self, salts)
        MemoryOrigins.__init__(self)
        self.unavailable = ""
        self.kept: KeptFacts | None = None
        self._facts: dict[str, list[Numbered]] = defaultdict(list)
        self._said: dict[str, list[Numbered]] = defaultdict(list)
        self._firsts: dict[Identity, First] = {}
        self._claims: dict[Identity, dict[str, int]] = {}
        self._open_runs: dict[str, str] = {}
        self._of_release: dict[tuple[str, str], list[Numbered]] = defaultdict(list)
        self._key_checks: dict[str, str] = {}
        self._kept: list[KeptAside] = []
        self._versions = RowsVersions()

    @asynccontextmanager
    async def snapshot(self) -> AsyncIterator[MemoryJournal]:
        """A copy: rows and facts are values, so their lists and dictionaries are copied alone."""
        held = copy(self)
        for name, value in vars(self).items():
            if isinstance(value, dict):
                kept = copy(value)
                kept.update((key, list(one)) for key, one in value.items() if isinstance(one, list))
                setattr(held, name, kept)
        yield held

    def first(self, identity: Identity) -> First | None:
        return self._firsts.get(identity)

    def heard_elsewhere(self, identity: Identity) -> tuple[tuple[str, int], ...]:
        known = (one.filing for facts in self._facts.values() for one in facts if one.filing.origin)
        return tuple((one.printer, one.at_us) for one in known if one.identity == identity)

    def claims(self, identity: Identity) -> Mapping[str, int]:
        return self._claims.get(identity, {})

    def body(self, identity: Identity) -> str | None:
        known = (one.filing for facts in self._facts.values() for one in facts if not one.filing.origin)
        return next((filing.body for filing in known if filing.identity == identity), None)

    def head(self, printer: str) -> int:
        facts = self._said.get(printer)
        return facts[-1].seq if facts else 0

    def notices(self, release: tuple[str, str]) -> Sequence[Fact]:
        known = (one for one in self._of_release.get(release, ()) if not one.filing.origin)
        ordered = sorted(known, key=lambda one: (one.filing.at_us, one.filing.printer, one.seq))
        return [one.filing.fact for one in ordered]

    def _store(self, request: StoreRequest[Answer]) -> Answer:
        self._require_available()
        batch = Batch(self)
        answer = request.join(batch)
        self._keep_batch(batch)
        return answer

    async def append_forwarded(self, origin: str, site: str, facts: Sequence[ForwardedFact]) -> Forwarded:
        """ports.origins.OriginWrites."""
        self._require_available()
        known, new = await self._new_of(self._seal.origin, origin, site, facts, [*self._said])
        batch = Batch(self)
        done = join_new(batch, new, known, await self.twins(identities_of(new)))
        if new:
            self._hold(known, new)
            self._keep_batch(batch)
        return done

    async def twins(self, keys: Sequence[Identity]) -> Sequence[Fact]:
        """ports.origins.OriginReads."""
        wanted, known = set(keys), (one.filing.fact for facts in self._facts.values() for one in facts)
        return [one for one in known if isinstance(one, HEARD) and identity(one) in wanted]

    def _require_available(self) -> None:
        if self.unavailable:
            raise JournalUnavailable(f"nothing was stored: {self.unavailable}; try again later")

    def _keep_batch(self, batch: Batch) -> None:
        self._follow(batch.replacements)
        for one in batch.facts:
            self._note_decision(one)
            self._facts[one.filing.printer].append(one)
            self._said[one.filing.printer].append(one)
            if one.filing.identity is not None and one.filing.release is not None:
                self._of_release[one.filing.identity[0], one.filing.release].append(one)
        self._add_sealed(batch.facts)
        self._firsts |= batch.firsts
        self._claims |= batch.claims
        self._kept += batch.kept_aside
        self._open_runs |= batch.open_runs
        redated = [self._apply(one) for one in batch.redates]
        self._follow(redated)
        for replacement in [*batch.replacements, *redated]:
            self._replace(replacement)
        for entry in batch.outbox:
            self.post(entry)

    def _follow(self, replacements: Sequence[Replacement]) -> None:
        try:
            self._versions.follow(replacements)
        except StaleRows:
            self._versions.forget()
            raise
        self._versions.stored()

    def _apply(self, numbered: Numbered) -> Replacement:
        fact = numbered.filing.fact
        if not isinstance(fact, Redated):
            raise TypeError(f"{numbered.filing.kind} gives no facts another date")
        self._move_sealed(numbered.seq, fact)
        said = self._said[fact.printer]
        redates = [(one.seq, one.filing.fact) for one in said if isinstance(one.filing.fact, Redated)]
        dated = (moved(one, [by for seq, by in redates if seq > one.seq]) for one in said)
        counts = {one.seq: one for one in dated if one is not None}
        self._facts[fact.printer][:] = counts.values()
        for of_release in self._of_release.values():
            of_release[:] = [counts[one.seq] if one.filing.printer == fact.printer else one for one in of_release]
        run = self._run(fact.printer)
        if run is not None and concerned(run, fact):
            if fact.by_us is None:
                del self._open_runs[fact.printer]
            else:
                self._open_runs[fact.printer] = open_body(redated_run(run, fact.by_us))
        from_us = min(fact.from_us, fact.from_us + (fact.by_us or 0)) - REACH_US
        return Replacement(fact.printer, self._anchor_before(fact.printer, from_us))

    def _run(self, printer: str) -> PlateauRead | ReadFailed | None:
        body = self._open_runs.get(printer)
        return None if body is None else run_of(body)

    async def erase(self, erasure: Erasure) -> ErasureOutcome:
        """ports.erasing.Erasing."""
        eraser = Eraser.of(erasure)
        badges, shared = own_badges((row.fact for row in self._rows()), erasure.keys)
        for badge in badges:
            eraser.learn_badge(badge)
        identities = set[Identity]()
        for row in self._rows():
            erased = eraser.erased(row.printer, row.seq, row.body, row.openings)
            if erased is not None:
                identities |= self._erase_row(row, erased)
        for kept in [one for one in self._kept if one.identity in identities or eraser.claim(one.filing.body)]:
            self._erase_claim(kept, eraser)
        printers = sorted({printer for printer, *_ in eraser.facts})
        if eraser.facts:
            digest = erasure_digest(eraser.facts)
            self._store(append_request(Erased(erasure.at_us, erasure.name, erasure.by, len(eraser.facts), digest)))
            dropped = [Replacement(printer, None) for printer in {*printers, ""}]
            self._follow(dropped)
            for one in dropped:
                self._replace(one)
        closed = self._erase_frozen(erasure) if eraser.facts else ()
        return ErasureOutcome(len(eraser.facts), printers, len(badges), shared, closed)

    async def expire_titles(self, expiry: TitleExpiry) -> TitlesExpired:
        """ports.erasing.Erasing; all of them at once."""
        eraser = TitleEraser(frozenset(), expiry.name)
        starts = [one for one in self._rows() if one.kind == RELEASE_STARTED and one.at_us < expiry.before_us]
        identities = {(one.source, one.event_id) for one in starts}
        for row in starts:
            erased = eraser.erased(row.printer, row.seq, row.body, row.openings)
            if erased is not None:
                self._erase_row(row, erased)
        for place, kept in enumerate(self._kept):
            body = eraser.claim_without(kept.filing.body) if kept.identity in identities else None
            if body is not None:
                self._kept[place] = replace(kept, filing=replace(kept.filing, body=body))
        if eraser.facts:
            digest = erasure_digest(eraser.facts)
            self._store(append_request(Erased(expiry.at_us, expiry.name, expiry.by, len(eraser.facts), digest)))
        return TitlesExpired(len(eraser.facts), None)

    async def title_us(self, from_us: int, before_us: int) -> int | None:
        """ports.queries.FactQueries."""
        rows = (one for one in self._rows() if from_us <= one.at_us < before_us and has_title(one.fact))
        return min((one.at_us for one in rows), default=None)

    async def timeline_heads(self) -> Sequence[tuple[str, int]]:
        return [(printer, facts[-1].seq) for printer, facts in sorted(self._said.items()) if facts]

    async def close_period(
        self, closing: Closing, rows: AsyncIterator[FrozenRow], touched: int = 0, attempt: ClosingAttempt | None = None
    ) -> ClosedPeriod:
        """ports.closing.PeriodCloser."""
        return await self.close_packed(closing, await packed_rows(rows), touched, attempt)

    async def close_packed(
        self, closing: Closing, packed: PackedRows, touched: int = 0, attempt: ClosingAttempt | None = None
    ) -> ClosedPeriod:
        """ports.closing.PeriodCloser."""
        closed = ClosedPeriod(closing, packed.rows, packed.sha256)
        self._require_open(closed, attempt)
        self._store(append_request(closed_fact(closed)))
        self._keep(closed, packed, touched)
        return closed

    def _erase_claim(self, kept: KeptAside, eraser: Eraser) -> None:
        self._kept.remove(kept)
        digest, claims = eraser.text(), self._claims.get(kept.identity, {})
        claims[digest] = claims.pop(kept.digest, kept.seq)
        row = self._sealed_row(kept.filing.printer, kept.seq)
        erased = None if row is None else eraser.reported(row.printer, row.seq, row.body, row.openings, digest)
        if row is not None and erased is not None:
            self._erase_row(row, erased)

    def _erase_row(self, row: Row, erased: ErasedRow) -> set[Identity]:
        """The identity that it had, where it is an event."""
        had = None if row.source is None or row.event_id is None else (row.source, row.event_id)
        filing = row.erase(erased)
        said = self._said[row.printer]
        said[:] = [Numbered(one.seq, row.said()) if one.seq == row.seq else one for one in said]
        for facts in (self._facts[row.printer], *self._of_release.values()):
            facts[:] = [
                Numbered(one.seq, filing) if (one.filing.printer, one.seq) == (row.printer, row.seq) else one
                for one in facts
            ]
        if had is None:
            return set()
        self._firsts.pop(had, None)
        if filing.identity is not None:
            self._firsts[filing.identity] = First(row.seq, "")
        return {had}

    async def rows_state(self, place: int) -> tuple[RowsState, bytes | None]:
        """ports.reads.Reads."""
        size = len(self._sealed)
        links = {position: self._sealed[position].sealed.link for position in (place, size) if position in self._sealed}
        state = RowsState((self._seal.origin,), size, links.get(size), dict(self._replaced))
        return state, links.get(place)

    async def rows_version(self, printer: str) -> int:
        """ports.ledger.RowWrites."""
        return self._versions.now(printer)

    async def replace(
        self, printer: str, from_anchor_us: int | None, segments: Sequence[RowSegment], *, after: int | None = None
    ) -> None:
        self._store(replace_request(printer, from_anchor_us, segments, after))

    async def keep_turn(
        self,
        printer: str,
        sealed: Sequence[Fact],
        current: PlateauRead | ReadFailed,
        update: Update,
        *,
        after: int | None = None,
    ) -> None:
        """ports.store.TurnWrites."""
        observed = observe_request(printer, sealed, current)
        self._store(Turn(observed, replace_request(printer, update.from_anchor_us, update.segments, after)))

    async def announce(self, announcement: Announcement) -> None:
        self._store(Post(announcement))

    async def part(self, removal: QueueRemoval) -> None:
        self._store(Post(removal))

    async def key_check(self, name: str) -> str | None:
        return self._key_checks.get(name)

    async def keep_key_check(self, name: str, value: str) -> None:
        self._key_checks[name] = value

    async def facts(self, printer: str, from_us: int | None = None) -> AsyncIterator[StoredFact]:
        for one in tuple(self._facts.get(printer, ())):
            if from_us is None or one.filing.at_us >= from_us:
                yield as_stored(one)

    async def said_facts(self, printer: str, after: int = 0) -> AsyncIterator[StoredFact]:
        for one in tuple(self._said.get(printer, ())):
            if one.seq > after:
                yield as_stored(one)

    async def open_run(self, printer: str) -> OpenRun | None:
        run = self._run(printer)
        return None if run is None else OpenRun(run)

    def damaged(self) -> Sequence[DamagedRow]:
        """Never any: what is in memory is not read back."""
        return ()

    async def printers(self) -> Sequence[str]:
        sites = {name_at(one.site, "") for one in self._origins.values()}
        return sorted({*self._facts, *self._open_runs} - {"", *sites})

    async def all_facts(self) -> AsyncIterator[Fact]:
        for printer in sorted({"", *self._facts, *self._open_runs}):
            run = self._open_runs.get(printer)
            async for stored in self.facts(printer):
                yield stored.fact
            if run is not None:
                yield run_of(run)

    async def count_facts(self) -> int:
        return sum(map(len, self._facts.values()))

    async def recent_delays(self, source: str, limit: int) -> Sequence[tuple[int, int]]:
        known = [one for facts in self._facts.values() for one in facts if source_of(one.filing) == source]
        latest = last(sorted(known, key=place_of), min(limit, DELAYS_MAX))
        origins = (one.filing.fact.origin for one in latest if isinstance(one.filing.fact, Event))
        judged = (one for one in origins if one.clock != NOT_AGREED)
        return [(one.occurred_us, one.received_us) for one in judged if one.occurred_us is not None]

    async def last_events(self) -> Mapping[str, int]:
        of_source: dict[str, list[Numbered]] = defaultdict(list)
        for facts in self._facts.values():
            for one in facts:
                if one.filing.identity is not None:
                    of_source[one.filing.identity[0]].append(one)
        latest: dict[str, int] = {}
        for source in sorted(of_source)[:SOURCES_LOOKED_AT]:
            for one in last(sorted(of_source[source], key=place_of), LAST_EVENTS_OF_SOURCE):
                latest[one.filing.kind] = max(one.filing.at_us, latest.get(one.filing.kind, 0))
        return latest

    async def newest_us(self) -> int | None:
        own = (one for facts in self._facts.values() for one in facts if not one.filing.origin)
        known = (one for one in own if one.filing.printer or is_checked(one))
        return max((one.filing.at_us for one in known), default=None)

    async def growth(self, since_us: int) -> Growth:
        known = [one.filing.at_us for printer, facts in self._facts.items() for one in facts if printer]
        return Growth(min(known, default=None), len(known), sum(at_us >= since_us for at_us in known))

    async def last_read(self, printer: str) -> PlateauRead | None:
        known = [one for one in self._facts.get(printer, ()) if isinstance(one.filing.fact, PlateauRead)]
        fact = max(known, key=place_of).filing.fact if known else None
        return fact if isinstance(fact, PlateauRead) else None

    async def last_reads(self) -> AsyncIterator[PlateauRead]:
        for printer in sorted(self._open_runs):
            if (read := await self.last_read(printer)) is not None:
                yield read

    async def printer_notes(self) -> AsyncIterator[PrinterNoted]:
        for printer in await self.printers():
            for stored in await self.standing_facts(printer):
                if isinstance(stored.fact, PrinterNoted):
                    yield stored.fact

    async def page_decisions(self) -> AsyncIterator[PagesDecided]:
        known = (one.filing.fact for facts in self._facts.values() for one in facts)
        for fact in sorted((one for one in known if isinstance(one, PagesDecided)), key=lambda one: one.origin.order):
            yield fact

    async def noted_readings(self) -> AsyncIterator[ReadingNoted]:
        known = (one.filing.fact for facts in self._facts.values() for one in facts)
        for fact in sorted((one for one in known if isinstance(one, ReadingNoted)), key=lambda one: one.origin.order):
            yield fact

    async def open_runs(self) -> AsyncIterator[tuple[str, OpenRun]]:
        for printer, body in sorted(self._open_runs.items()):
            yield printer, OpenRun(run_of(body))

    async def standing_facts(self, printer: str) -> Sequence[StoredFact]:
        return [as_stored(one) for one in self._facts.get(printer, ()) if one.filing.kind in STANDING_KINDS]

    async def people_facts(self) -> AsyncIterator[Fact]:
        for one in tuple(self._facts.get("", ())):
            if one.filing.kind in PEOPLE_KINDS:
                yield one.filing.fact

    async def people_since(self, after: int) -> tuple[int, bool]:
        said = self._said.get("", ())
        newer = any(one.seq > after and one.filing.kind in PEOPLE_CHANGING for one in said)
        return max((one.seq for one in said), default=0), newer

    async def release_facts(self, source: str, release: str) -> Sequence[Fact]:
        known = self._of_release.get((source, release), ())
        return [one.filing.fact for one in last(sorted(known, key=place_of), RELEASE_FACTS_MAX)]

    async def release_starts(
        self, source: str, releases: Sequence[str], from_us: int, until_us: int
    ) -> Sequence[ReleaseStarted]:
        known = [one for name in dict.fromkeys(releases) for one in self._of_release.get((source, name), ())]
        facts = [one.filing.fact for one in sorted(known, key=place_of)]
        starts = [one for one in facts if isinstance(one, ReleaseStarted)]
        return [one for one in starts if from_us <= one.origin.at_us <= until_us]

    async def late_facts(self, printer: str, at_us: int) -> Sequence[Fact]:
        known = self._facts.get(printer, ())
        first = next((one.seq for one in known if one.filing.at_us > at_us), None)
        if first is None:
            return []
        after = [one for one in known if one.seq >= first]
        late = [one for one in after if one.filing.at_us <= at_us or one.filing.kind == DECIDED]
        return [one.filing.fact for one in sorted(late, key=place_of)[:LATE_FACTS_MAX]]

    async def badge_facts(self, from_us: int | None = None) -> AsyncIterator[Fact]:
        known = [one for facts in self._facts.values() for one in facts if is_checked(one)]
        for one in sorted(known, key=place_of):
            if from_us is None or one.filing.at_us >= from_us:
                yield one.filing.fact

    async def unrouted_ends(self) -> Sequence[Fact]:
        ends = [one for one in self._facts.get("", ()) if one.filing.kind == ENDED]
        return [one.filing.fact for one in sorted(ends, key=place_of, reverse=True)[:UNROUTED_MAX]]
