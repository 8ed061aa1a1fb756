"""The whole store, as the engine uses it: facts, ledger, queries and outbox together."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from typing import Protocol

from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.projection.running_totals import RunningTotals
from pagereeve.ports.journal import Journal, OpenRun, StoredFact
from pagereeve.ports.ledger import LedgerStore
from pagereeve.ports.outbox import Outbox
from pagereeve.ports.queries import FactQueries


class Store(Journal, LedgerStore, FactQueries, Outbox, Protocol):
    async def standing_facts(self, printer: str) -> Sequence[StoredFact]:
        """A printer's policies, learnt settle times, notes and decisions: few, and in force beyond their own time."""
        ...

    async def release_facts(self, source: str, release: str) -> Sequence[Fact]:
        """All start and end notices of a release, whatever printer they lie with, in order of their instants."""
        ...

    async def unrouted_ends(self) -> Sequence[Fact]:
        """End notices under printer "", the latest first, a bounded number."""
        ...

    async def late_facts(self, printer: str, at_us: int) -> Sequence[Fact]:
        """Of that instant or earlier, but stored after a fact of a later one: notices and decisions, no readings."""
        ...

    def badge_facts(self, from_us: int | None = None) -> AsyncIterator[Fact]:
        """Badges, unreadable ones and start notices of all printers, by their instants, from ``from_us`` on."""
        ...

    def open_runs(self) -> AsyncIterator[tuple[str, OpenRun]]:
        """Each printer with what its meter was last seen to do, in order of their names."""
        ...

    async def running_totals(self, printer: str, before_us: int) -> RunningTotals:
        """The sums of a printer's segments whose anchors lie before ``before_us``."""
        ...
