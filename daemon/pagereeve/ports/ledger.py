"""Where projections are kept. All of it can be dropped and rebuilt from the journal."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from typing import Protocol

from pagereeve.domain.accounts.ledger_rows import LedgerRow
from pagereeve.domain.ledger import Charge, Finding, Posting, ReleaseKey, RowSegment, Stretch
from pagereeve.domain.projection.running_totals import RunningTotals
from pagereeve.ports.journal import Overtaken


class StaleRows(Overtaken):
    """Another projector replaced the printer's rows since this one read the journal: project anew."""


class RowWrites(Protocol):
    async def rows_version(self, printer: str) -> int:
        """One more each time that rows of the printer are replaced. Asked before the facts are read that a projection
        rests on; then each replacement names the one that it follows.
        """
        ...

    async def replace(
        self, printer: str, from_anchor_us: int | None, segments: Sequence[RowSegment], *, after: int | None = None
    ) -> None:
        """Drop the printer's segments from that anchor on (None: all), and store these in their place, atomically.

        ``after``: only where the rows still are of that version (None: whatever they are). Raises StaleRows.
        """
        ...

    async def running_totals(self, printer: str, before_us: int) -> RunningTotals:
        """The sums of a printer's segments whose anchors lie before ``before_us``."""
        ...


class FindingLookup(Protocol):
    async def findings(self, *, only_open: bool) -> Sequence[Finding]: ...

    async def finding(self, name: str) -> Finding | None:
        """The finding of that id."""
        ...


class LedgerStore(FindingLookup, RowWrites, Protocol):
    async def segment_before(self, printer: str, at_us: int) -> RowSegment | None:
        """The printer's latest segment with a resume point whose anchor is ``at_us`` or earlier, with all its rows."""
        ...

    async def segments(self, printer: str) -> Sequence[RowSegment]:
        """All of a printer's segments in order of their anchors."""
        ...

    def charges(self, from_us: int, to_us: int) -> AsyncIterator[Charge]:
        """Charges of releases started in [from_us, to_us), in order of start."""
        ...

    async def charges_of(self, release: str) -> Sequence[Charge]:
        """Charges of releases of that name, whatever their source."""
        ...

    async def stretches(self, printer: str, from_us: int, to_us: int) -> Sequence[Stretch]:
        """Stretches that overlap [from_us, to_us]."""
        ...

    def postings(self, from_us: int, to_us: int, printer: str | None = None) -> AsyncIterator[Posting]:
        """Postings of stretches that closed in [from_us, to_us), of all printers or of one."""
        ...

    def ledger_rows(self, from_us: int, to_us: int, printer: str | None = None) -> AsyncIterator[Sequence[LedgerRow]]:
        """The same with their stretches (domain.accounts.membership.StretchIndex), some at a time; of one moment."""
        ...

    async def findings_of(self, release: ReleaseKey) -> Sequence[Finding]:
        """Findings whose evidence names the release."""
        ...
