"""What is written to the store over SQL, whatever the database: each is a request in line, or work done alone."""

from __future__ import annotations

import asyncio
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from typing import Final, Protocol, TypeVar
from uuid import uuid4

from sqlalchemy import Connection

from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.domain.facts.closed import FactsArchived
from pagereeve.domain.facts.facts import Fact, PagesDecided, PlateauRead, ReadFailed, Redated
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import Update
from pagereeve.ports.archives import ArchiveFile, ArchivePart
from pagereeve.ports.clock import Clock
from pagereeve.ports.closing import ClosedPeriod, Closing, ClosingAttempt, NotClosed, PackedRows
from pagereeve.ports.erasing import Erasure, ErasureOutcome, TitleExpiry, TitlesExpired
from pagereeve.ports.journal import JournalUnavailable, Receipt
from pagereeve.ports.origins import Forwarded, ForwardedFact
from pagereeve.ports.outbox import Announcement, QueueRemoval
from pagereeve.store.records.fact_record import file
from pagereeve.store.records.frozen_rows import packed_rows
from pagereeve.store.records.requests import (
    Filing,
    Post,
    Replace,
    Turn,
    append_counted_request,
    append_request,
    append_together_request,
    observe_request,
    redate_request,
    replace_request,
)
from pagereeve.store.sql.archiving import finish_archive, remove_archived
from pagereeve.store.sql.closing_parts import (
    PartGroup,
    begin_closing,
    drop_some,
    give_up,
    groups_of,
    store_group,
)
from pagereeve.store.sql.credentials import write_uses
from pagereeve.store.sql.group_writer import GroupWriter
from pagereeve.store.sql.key_checks import write_key_check

Result = TypeVar("Result")

# Rows of the ledger.
ENCODED_AT_ONCE_MAX: Final = 200


class Alone(Protocol):
    """Transactions that are no group: each durable once it returns."""

    def erase(self, connection: Connection, erasure: Erasure) -> ErasureOutcome: ...

    def expire_titles(self, connection: Connection, expiry: TitleExpiry) -> TitlesExpired: ...

    def append_forwarded(
        self, connection: Connection, origin: str, site: str, facts: Sequence[ForwardedFact]
    ) -> Forwarded: ...

    def archive_facts(
        self, connection: Connection, archived: ArchiveFile, parts: Sequence[ArchivePart], fact: FactsArchived
    ) -> None: ...

    def close_step(self, connection: Connection, step: Callable[[Connection], Result]) -> Result: ...

    def close_period(
        self, connection: Connection, closed: ClosedPeriod, mine: ClosingAttempt, last: PartGroup, touched: int
    ) -> None: ...


class JournalWrites(ABC):
    def __init__(self, clock: Clock, writer: GroupWriter, committer: Alone, filed: Filing = file) -> None:
        self._clock = clock
        self._filed = filed
        self._line = writer
        self._committer = committer

    @abstractmethod
    async def _run(self, work: Callable[[Connection], Result]) -> Result:
        """Work of a transaction of its own, while no group is stored. Raises JournalUnavailable."""

    @property
    def silent(self) -> bool:
        """Nothing of what waits is stored or refused, and not because more is asked than it can do."""
        return self._line.silent

    async def append(self, fact: Fact) -> Receipt:
        """ports.journal.Journal. Raises BadFact besides, for a fact that could not be read back."""
        return await self._line.submit(append_request(fact, self._filed))

    async def append_counted(self, decided: PagesDecided, counted: int) -> Receipt:
        """ports.decisions.DecisionStore. Raises BadFact as ``append`` does."""
        return await self._line.submit(append_counted_request(decided, counted, self._filed))

    async def append_together(self, facts: Sequence[Fact]) -> Sequence[Receipt]:
        """ports.journal.Journal. Raises BadFact as ``append`` does."""
        return await self._line.submit(append_together_request(facts, self._filed))

    async def observe(self, printer: str, sealed: Sequence[Fact], current: PlateauRead | ReadFailed) -> Sequence[int]:
        return await self._line.submit(observe_request(printer, sealed, current, self._filed))

    async def redate(self, facts: Sequence[Redated]) -> None:
        """ports.store.Redating."""
        await self._line.submit(redate_request(facts, self._filed))

    @abstractmethod
    async def rows_version(self, printer: str) -> int:
        """ports.ledger.RowWrites."""

    async def replace(
        self, printer: str, from_anchor_us: int | None, segments: Sequence[RowSegment], *, after: int | None = None
    ) -> None:
        """ports.ledger.LedgerStore. Raises ValueError where the segments aren't the printer's, from there on,
        rising.
        """
        await self._line.submit(await _encoded(printer, from_anchor_us, segments, after))

    async def keep_turn(
        self,
        printer: str,
        sealed: Sequence[Fact],
        current: PlateauRead | ReadFailed,
        update: Update,
        *,
        after: int | None = None,
    ) -> None:
        """ports.store.TurnWrites. Raises as ``observe`` and ``replace`` do."""
        observed = observe_request(printer, sealed, current, self._filed)
        rows = await _encoded(printer, update.from_anchor_us, update.segments, after)
        await self._line.submit(Turn(observed, rows))

    async def announce(self, announcement: Announcement) -> None:
        """ports.outbox.Outbox."""
        await self._line.submit(Post(announcement))

    async def part(self, removal: QueueRemoval) -> None:
        """ports.outbox.Outbox."""
        await self._line.submit(Post(removal))

    async def archive_facts(self, archived: ArchiveFile, parts: Sequence[ArchivePart], fact: FactsArchived) -> None:
        """Record a file that is durable, with the fact that tells of it. Raises JournalUnavailable."""
        await self._run(partial(self._committer.archive_facts, archived=archived, parts=parts, fact=fact))

    async def remove_archived(self, printer: str, numbers: Sequence[int]) -> int:
        """Of what recorded files hold; how many were there. Raises JournalUnavailable."""
        return await self._run(partial(remove_archived, printer=printer, numbers=numbers))

    async def finish_archive(self, name: str) -> None:
        """Raises JournalUnavailable."""
        await self._run(partial(finish_archive, name=name))

    async def keep_key_check(self, name: str, value: str) -> None:
        """ports.key_checks.KeyChecks."""
        kept = partial(write_key_check, name=name, value=value, since_us=self._clock.now_us())
        await self._run(kept)

    async def credentials_used(self, used_us: Mapping[str, int]) -> None:
        """ports.credentials.CredentialStore."""
        await self._run(partial(write_uses, used_us=dict(used_us)))

    async def erase(self, erasure: Erasure) -> ErasureOutcome:
        """ports.erasing.Erasing. No group is stored meanwhile."""
        return await self._run(partial(self._committer.erase, erasure=erasure))

    async def expire_titles(self, expiry: TitleExpiry) -> TitlesExpired:
        """ports.erasing.Erasing. No group is stored meanwhile."""
        return await self._run(partial(self._committer.expire_titles, expiry=expiry))

    async def append_forwarded(self, origin: str, site: str, facts: Sequence[ForwardedFact]) -> Forwarded:
        """ports.origins.OriginWrites. No group is stored meanwhile."""
        append = partial(self._committer.append_forwarded, origin=origin, site=site, facts=facts)
        return await self._run(append)

    async def begin_closing(self, name: str, from_us: int, to_us: int) -> ClosingAttempt:
        """ports.closing.PeriodCloser."""
        mine = ClosingAttempt(name, from_us, to_us, uuid4().hex)
        await self._step(partial(begin_closing, mine=mine, since_us=self._clock.now_us()))
        while await self._step(partial(drop_some, mine=mine)):
            pass
        return mine

    async def give_up_closing(self, attempt: ClosingAttempt) -> None:
        """ports.closing.PeriodCloser."""
        with suppress(JournalUnavailable):
            while await self._step(partial(give_up, mine=attempt)):
                pass

    async def close_period(
        self, closing: Closing, rows: AsyncIterator[FrozenRow], touched: int = 0, attempt: ClosingAttempt | None = None
    ) -> ClosedPeriod:
        """ports.closing.PeriodCloser."""
        return await self.close_packed(closing, await packed_rows(rows), touched, attempt)

    async def close_packed(
        self, closing: Closing, packed: PackedRows, touched: int = 0, attempt: ClosingAttempt | None = None
    ) -> ClosedPeriod:
        """ports.closing.PeriodCloser. Between its transactions, each of some parts, groups are stored."""
        closed = ClosedPeriod(closing, packed.rows, packed.sha256)
        mine = attempt or await self.begin_closing(closing.name, closing.from_us, closing.to_us)
        *before, last = groups_of(packed.parts)
        try:
            for group in before:
                await self._step(partial(store_group, mine=mine, group=group))
            await self._run(partial(self._committer.close_period, closed=closed, mine=mine, last=last, touched=touched))
        except (NotClosed, JournalUnavailable):
            await self.give_up_closing(mine)
            raise
        return closed

    async def _step(self, step: Callable[[Connection], Result]) -> Result:
        return await self._run(partial(self._committer.close_step, step=step))

    def refusal(self) -> JournalUnavailable | None:
        """Why nothing can be asked or stored just now; None where it can be tried."""
        return self._line.refusal()

    def waiting_since_us(self) -> int | None:
        """The monotonic instant at which the oldest write came that is not stored yet; None without one."""
        return self._line.waiting_since_us


async def _encoded(
    printer: str, from_anchor_us: int | None, segments: Sequence[RowSegment], after: int | None
) -> Replace:
    rows = sum(len(one.stretches) + len(one.charges) + len(one.postings) + len(one.findings) for one in segments)
    if rows > ENCODED_AT_ONCE_MAX:
        # Beside the loop: tens of thousands of values would hold up everybody else.
        return await asyncio.to_thread(replace_request, printer, from_anchor_us, segments, after)
    return replace_request(printer, from_anchor_us, segments, after)
