"""What each part of the engine asks of the store; and the store as a whole, for whoever puts the parts together."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from typing import Protocol

from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed, Redated
from pagereeve.domain.projection.projector import Update
from pagereeve.ports.archives import ArchiveReads
from pagereeve.ports.closing import ClosedReads, PeriodCloser
from pagereeve.ports.decisions import DecisionStore
from pagereeve.ports.erasing import Erasing
from pagereeve.ports.following import Following
from pagereeve.ports.forwarding import SealedFacts
from pagereeve.ports.journal import Journal, OpenRun, Receipt, StoredFact
from pagereeve.ports.key_checks import KeyChecks
from pagereeve.ports.ledger import FindingLookup, LedgerStore, RowWrites
from pagereeve.ports.noted_readings import PanelReads
from pagereeve.ports.origins import OriginReads, OriginWrites
from pagereeve.ports.outbox import AlertJournal, Outbox, QueueLook
from pagereeve.ports.queries import FactQueries
from pagereeve.ports.resume_points import SegmentReads
from pagereeve.ports.seal import SealReads


class StandingFacts(Protocol):
    async def standing_facts(self, printer: str) -> Sequence[StoredFact]:
        """A printer's policies, learnt settle times, notes and decisions: few, and in force beyond their own time."""
        ...


class ReleaseFacts(Protocol):
    async def release_facts(self, source: str, release: str) -> Sequence[Fact]:
        """All start and end notices of a release, whatever printer they lie with, in order of their instants."""
        ...


class IntakeStore(ReleaseFacts, FindingLookup, DecisionStore, PanelReads, OriginReads, Protocol):
    """What the intake needs: to store an event, and to find what it belongs to."""

    async def append(self, fact: Fact) -> Receipt:
        """As ports.journal.Journal says."""
        ...

    async def append_together(self, facts: Sequence[Fact]) -> Sequence[Receipt]:
        """As ports.journal.Journal says."""
        ...

    async def recent_delays(self, source: str, limit: int) -> Sequence[tuple[int, int]]:
        """As ports.queries.FactQueries says."""
        ...

    async def unrouted_ends(self) -> Sequence[Fact]:
        """End notices under printer "", the latest first, a bounded number."""
        ...


class HistoryStore(SegmentReads, StandingFacts, ReleaseFacts, FindingLookup, OriginReads, Protocol):
    """What a printer's rows are projected from."""

    def facts(self, printer: str, from_us: int | None = None) -> AsyncIterator[StoredFact]:
        """As ports.journal.Journal says."""
        ...

    async def late_facts(self, printer: str, at_us: int) -> Sequence[Fact]:
        """Of that instant or earlier, but stored after a fact of a later one: notices, decisions, and runs of readings,
        those that only began by then among them.
        """
        ...


class TurnWrites(Protocol):
    async def keep_turn(
        self,
        printer: str,
        sealed: Sequence[Fact],
        current: PlateauRead | ReadFailed,
        update: Update,
        *,
        after: int | None = None,
    ) -> None:
        """As ``observe`` and ``replace`` after one another, in one transaction: no row is there without its facts."""
        ...


class WatcherStore(Journal, HistoryStore, RowWrites, TurnWrites, Protocol):
    """What a printer's watcher needs: to store what was read, its history, and its rows."""


class BadgeStore(SegmentReads, StandingFacts, RowWrites, Protocol):
    """What the watcher of badges needs."""

    def badge_facts(self, from_us: int | None = None) -> AsyncIterator[Fact]:
        """Badges, unreadable ones, start notices of all printers and losses, by their instants, from ``from_us`` on."""
        ...


class AlertStore(AlertJournal, QueueLook, FindingLookup, Protocol):
    """What the dispatcher of alerts needs."""


class Redating(Protocol):
    async def redate(self, facts: Sequence[Redated]) -> None:
        """Store them, and let each move what its timeline holds before it, or make it void; all in one transaction.

        From then on every question is answered with the new dates. Rows of the ledger that rest on the old ones are
        dropped: no projector may be at work on these timelines. Raises JournalUnavailable, and then nothing changed.
        """
        ...


class Store(
    Redating,
    Erasing,
    IntakeStore,
    WatcherStore,
    BadgeStore,
    AlertStore,
    Journal,
    LedgerStore,
    FactQueries,
    Outbox,
    KeyChecks,
    OriginReads,
    OriginWrites,
    SealedFacts,
    SealReads,
    ArchiveReads,
    ClosedReads,
    PeriodCloser,
    Protocol,
):
    """All of it, for the composition alone."""

    def following(self) -> Following:
        """What others store from the journal's opening on."""
        ...

    def open_runs(self) -> AsyncIterator[tuple[str, OpenRun]]:
        """Each printer with what its meter was last seen to do, in order of their names."""
        ...
