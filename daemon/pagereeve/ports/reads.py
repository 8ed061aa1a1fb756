"""The reading half of the store: what the outlets ask of it, beside a daemon that writes or without one."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from typing import Protocol

from pagereeve.domain.accounts.charge_sums import ChargeSum
from pagereeve.domain.accounts.ledger_rows import LedgerRow
from pagereeve.domain.accounts.period_sums import ChargesBy, PeriodSums, Span
from pagereeve.domain.accounts.totals import Total
from pagereeve.domain.facts.facts import Fact, PagesDecided, PlateauRead, PrinterNoted, ReadingNoted, ReleaseStarted
from pagereeve.domain.ledger import Charge, Finding, Posting, ReleaseKey, RowSegment, Stretch
from pagereeve.ports.archives import ArchiveReads
from pagereeve.ports.closing import ClosedReads
from pagereeve.ports.findings import (
    DearestPage,
    DearPlace,
    FindingCount,
    FindingFilter,
    FindingsPage,
    OpenFindings,
    Place,
)
from pagereeve.ports.journal import DamagedRow, OpenRun, StoredFact
from pagereeve.ports.kept_facts import KeptFacts
from pagereeve.ports.kept_sums import RowsState
from pagereeve.ports.losses import LossReads
from pagereeve.ports.origins import OriginReads
from pagereeve.ports.outbox import Kept, Queue
from pagereeve.ports.queries import Growth
from pagereeve.ports.releases import ReleaseFilter, ReleasePlace, ReleasesPage
from pagereeve.ports.seal import SealReads


class Reads(OriginReads, SealReads, ArchiveReads, ClosedReads, LossReads, Protocol):
    """As ports.journal, ports.ledger, ports.outbox, ports.queries and ports.store say of methods of the same names.

    ``kept`` is what its snapshots share; None: nothing is kept from one question to the next.
    """

    kept: KeptFacts | None

    def snapshot(self) -> AbstractAsyncContextManager[Reads]:
        """Reads that all see one moment, whatever is written meanwhile; for one task, and not for long."""
        ...

    def damaged(self) -> Sequence[DamagedRow]:
        """Rows that were found damaged since this was opened, in the order in which they were read. Each is read as a
        FactDamaged where a printer's facts are asked for; elsewhere it is left out.
        """
        ...

    async def printers(self) -> Sequence[str]: ...

    def facts(self, printer: str, from_us: int | None = None) -> AsyncIterator[StoredFact]: ...

    def said_facts(self, printer: str, after: int = 0) -> AsyncIterator[StoredFact]:
        """A printer's facts as they were stored, numbered above ``after`` and in order: those that got another date by
        a later one, or are void, as they were (domain.facts.redating.in_force says what counts of them).
        """
        ...

    async def open_run(self, printer: str) -> OpenRun | None: ...

    def open_runs(self) -> AsyncIterator[tuple[str, OpenRun]]: ...

    async def last_read(self, printer: str) -> PlateauRead | None:
        """The latest finished run of good readings, the open one aside."""
        ...

    async def newest_us(self) -> int | None: ...

    async def title_us(self, from_us: int, before_us: int) -> int | None: ...

    async def growth(self, since_us: int) -> Growth: ...

    def last_reads(self) -> AsyncIterator[PlateauRead]: ...

    def printer_notes(self) -> AsyncIterator[PrinterNoted]: ...

    async def standing_facts(self, printer: str) -> Sequence[StoredFact]: ...

    async def release_facts(self, source: str, release: str) -> Sequence[Fact]: ...

    async def release_starts(
        self, source: str, releases: Sequence[str], from_us: int, until_us: int
    ) -> Sequence[ReleaseStarted]: ...

    def people_facts(self) -> AsyncIterator[Fact]:
        """What is said of persons and their cost centres, in order of number (domain.accounts.people)."""
        ...

    async def people_since(self, after: int) -> tuple[int, bool]:
        """How many facts the site's own timeline has, and whether one above ``after`` may say who is who, or that what
        was said before is other: an erasure, other dates.
        """
        ...

    def page_decisions(self) -> AsyncIterator[PagesDecided]:
        """As ports.decisions.DecisionReads."""
        ...

    def noted_readings(self) -> AsyncIterator[ReadingNoted]:
        """As ports.noted_readings.PanelReads."""
        ...

    def badge_facts(self, from_us: int | None = None) -> AsyncIterator[Fact]: ...

    async def segment_before(self, printer: str, at_us: int) -> RowSegment | None: ...

    async def edge_segments(self, from_us: int, to_us: int, printer: str | None = None) -> Sequence[RowSegment]:
        """As domain.accounts.period_sums.edge_segments, of all printers or of one."""
        ...

    def charges(self, from_us: int, to_us: int) -> AsyncIterator[Charge]: ...

    async def charges_of(self, release: str) -> Sequence[Charge]: ...

    async def releases_page(self, wanted: ReleaseFilter, limit: int, after: ReleasePlace | None = None) -> ReleasesPage:
        """At most ``limit`` charges, and never more than ports.releases.PAGE_MAX, behind the page ``after``. So many
        as ports.releases.LOOKED_AT_MAX are looked at: a page may be short, or empty, although more follow.
        """
        ...

    async def charge_totals(self, by: ChargesBy, from_us: int, to_us: int) -> Sequence[Total]:
        """As domain.accounts.period_sums.charge_totals."""
        ...

    async def period_sums(self, from_us: int, to_us: int, printer: str | None = None) -> PeriodSums:
        """As domain.accounts.period_sums.sums_of, of one moment; of all printers, or of that one alone."""
        ...

    async def sums_of_each(self, spans: Sequence[Span]) -> Sequence[PeriodSums]:
        """As ``period_sums``, of several spans at once; memory in proportion to them and to the printers."""
        ...

    async def rows_state(self, place: int) -> tuple[RowsState, bytes | None]:
        """With what is sealed under that place of the seal; None where it has no such place."""
        ...

    async def sums_of_printers(self, from_us: int, to_us: int, printers: Sequence[str]) -> PeriodSums:
        """As ``period_sums``, of some printers whose rows were replaced; PRINTERS_MAX at once."""
        ...

    def charge_sums(self, from_us: int, to_us: int, printers: Sequence[str] | None = None) -> AsyncIterator[ChargeSum]:
        """As domain.accounts.charge_sums.charge_sums, in no order; of all printers, or of some as above."""
        ...

    async def stretches(self, printer: str, from_us: int, to_us: int) -> Sequence[Stretch]: ...

    def postings(self, from_us: int, to_us: int, printer: str | None = None) -> AsyncIterator[Posting]: ...

    def ledger_rows(self, from_us: int, to_us: int, printer: str | None = None) -> AsyncIterator[Sequence[LedgerRow]]:
        """As ports.ledger."""
        ...

    async def findings(self, *, only_open: bool) -> Sequence[Finding]: ...

    async def finding(self, name: str) -> Finding | None: ...

    async def findings_of(self, release: ReleaseKey) -> Sequence[Finding]: ...

    async def findings_page(self, wanted: FindingFilter, limit: int, after: Place | None = None) -> FindingsPage:
        """At most ``limit`` findings, and never more than ports.findings.PAGE_MAX, behind the page ``after``."""
        ...

    async def dearest_findings(self, wanted: FindingFilter, limit: int, after: DearPlace | None = None) -> DearestPage:
        """The same, those about the most pages first."""
        ...

    async def count_findings(self, wanted: FindingFilter) -> Sequence[FindingCount]:
        """In order of severity (the worst first), kind, state, reason."""
        ...

    async def open_findings(self) -> Sequence[OpenFindings]:
        """In order of printer and severity."""
        ...

    async def alerts(self) -> Sequence[Kept]: ...

    async def queues(self) -> Mapping[str, Queue]: ...


class FactsAndRows(OriginReads, Protocol):
    """What a replay compares: the facts, and the rows that stand for them. ports.ledger, queries and store say more."""

    async def printers(self) -> Sequence[str]: ...

    def facts(self, printer: str, from_us: int | None = None) -> AsyncIterator[StoredFact]: ...

    async def open_run(self, printer: str) -> OpenRun | None: ...

    async def standing_facts(self, printer: str) -> Sequence[StoredFact]: ...

    def badge_facts(self, from_us: int | None = None) -> AsyncIterator[Fact]: ...

    async def segments(self, printer: str) -> Sequence[RowSegment]: ...
