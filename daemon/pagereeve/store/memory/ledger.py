"""Projections in memory: ports.ledger.LedgerStore's reads."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import AsyncIterator, Iterator, Sequence
from dataclasses import replace

from pagereeve.domain.accounts.charge_sums import ChargeSum, charge_sums
from pagereeve.domain.accounts.ledger_rows import LedgerRow, ledger_row
from pagereeve.domain.accounts.membership import StretchIndex
from pagereeve.domain.accounts.period_sums import ChargesBy, PeriodSums, Span, charge_totals, edge_segments, sums_of
from pagereeve.domain.accounts.totals import Total
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import SEVERITIES, Charge, Finding, Posting, ReleaseKey, RowSegment, Stretch, is_house
from pagereeve.domain.projection.projector import Update
from pagereeve.domain.projection.running_totals import RunningTotals
from pagereeve.ports.findings import (
    PAGE_MAX,
    DearestPage,
    DearPlace,
    FindingCount,
    FindingFilter,
    FindingsPage,
    OpenFindings,
    Place,
)
from pagereeve.ports.releases import (
    LOOKED_AT_MAX,
    OWNERS_LOOKED_UP_MAX,
    ReleaseFilter,
    ReleasePlace,
    ReleasesPage,
    place_of,
)
from pagereeve.ports.releases import PAGE_MAX as RELEASES_MAX
from pagereeve.store.memory.outbox import MemoryOutbox
from pagereeve.store.records.batch import Replacement
from pagereeve.store.records.encoding import canonical_text
from pagereeve.store.sql.outbox_writes import changed, standing_of


class MemoryLedger(MemoryOutbox):
    def __init__(self) -> None:
        super().__init__()
        self._segments: dict[str, list[RowSegment]] = defaultdict(list)
        self._replaced: dict[str, int] = {}

    def _replace(self, replacement: Replacement) -> None:
        before = self._dropped(replacement)
        after = [standing_of(finding) for segment in replacement.segments for finding in segment.findings]
        self.note_changes(changed((standing_of(finding) for finding in before), after))
        self._replace_segments(replacement)

    def _dropped(self, replacement: Replacement) -> Iterator[Finding]:
        from_us = replacement.from_anchor_us
        for segment in self._segments.get(replacement.printer, ()):
            if from_us is None or segment.anchor_us >= from_us:
                yield from segment.findings

    def _replace_segments(self, replacement: Replacement) -> None:
        self._replaced[replacement.printer] = self._replaced.get(replacement.printer, 0) + 1
        kept: list[RowSegment] = []
        if replacement.from_anchor_us is not None:
            known = self._segments.get(replacement.printer, ())
            kept = [segment for segment in known if segment.anchor_us < replacement.from_anchor_us]
        self._segments[replacement.printer] = [*kept, *map(_as_read_back, replacement.segments)]

    def _anchor_before(self, printer: str, at_us: int) -> int | None:
        return max((one.anchor_us for one in self._segments.get(printer, ()) if one.anchor_us < at_us), default=None)

    def _all(self) -> Iterator[RowSegment]:
        for printer in sorted(self._segments):
            yield from self._segments[printer]

    async def segment_before(self, printer: str, at_us: int) -> RowSegment | None:
        known = self._segments.get(printer, ())
        fitting = [segment for segment in known if segment.anchor_us <= at_us and segment.resume_point is not None]
        return fitting[-1] if fitting else None

    async def edge_segments(self, from_us: int, to_us: int, printer: str | None = None) -> Sequence[RowSegment]:
        known = edge_segments(self._all(), from_us, to_us)
        return [one for one in known if printer in {None, one.printer}]

    async def period_segments(self, printer: str, from_us: int, to_us: int) -> Sequence[RowSegment]:
        return [
            one
            for one in self._segments.get(printer, ())
            if any(from_us <= charge.started_us < to_us for charge in one.charges)
            or any(from_us <= stretch.closes_us < to_us for stretch in one.stretches)
        ]

    async def charge_totals(self, by: ChargesBy, from_us: int, to_us: int) -> Sequence[Total]:
        return charge_totals(by, self._all(), from_us, to_us)

    async def period_sums(self, from_us: int, to_us: int, printer: str | None = None) -> PeriodSums:
        return sums_of(self._all() if printer is None else self._segments.get(printer, ()), from_us, to_us)

    async def sums_of_each(self, spans: Sequence[Span]) -> Sequence[PeriodSums]:
        return [sums_of(self._all(), *span) for span in spans]

    async def sums_of_printers(self, from_us: int, to_us: int, printers: Sequence[str]) -> PeriodSums:
        return sums_of(self._of(printers), from_us, to_us)

    async def charge_sums(
        self, from_us: int, to_us: int, printers: Sequence[str] | None = None
    ) -> AsyncIterator[ChargeSum]:
        for one in charge_sums(self._all() if printers is None else self._of(printers), from_us, to_us):
            yield one

    def _of(self, printers: Sequence[str]) -> Iterator[RowSegment]:
        return (one for printer in sorted({*printers}) for one in self._segments.get(printer, ()))

    async def segments(self, printer: str) -> Sequence[RowSegment]:
        return list(self._segments.get(printer, ()))

    async def running_totals(self, printer: str, before_us: int) -> RunningTotals:
        running_totals = RunningTotals()
        known = [segment for segment in self._segments.get(printer, ()) if segment.anchor_us < before_us]
        running_totals.add(Update(0, tuple(known)))
        return running_totals

    async def charges(self, from_us: int, to_us: int) -> AsyncIterator[Charge]:
        known = [
            charge for segment in self._all() for charge in segment.charges if from_us <= charge.started_us < to_us
        ]
        for charge in sorted(known, key=lambda one: (one.started_us, one.printer, one.release, one.channel)):
            yield charge

    async def charges_of(self, release: str) -> Sequence[Charge]:
        known = [charge for segment in self._all() for charge in segment.charges if charge.release.release == release]
        return sorted(known, key=lambda one: one.started_us)

    async def releases_page(self, wanted: ReleaseFilter, limit: int, after: ReleasePlace | None = None) -> ReleasesPage:
        size = max(1, min(limit, RELEASES_MAX))
        segments = self._all() if wanted.printer is None else self._segments.get(wanted.printer, ())
        known = [charge for segment in segments for charge in segment.charges]
        if wanted.owners is not None:
            theirs = [one for one in known if owner_key(one.owner) in wanted.owners]
            few = len({one.owner for one in theirs}) <= OWNERS_LOOKED_UP_MAX
            known = theirs if few else known
        started = [one for one in known if wanted.from_us <= one.started_us < wanted.to_us]
        behind = [one for one in started if after is None or place_of(one) < after]
        looked_at = sorted(behind, key=place_of, reverse=True)[:LOOKED_AT_MAX]
        found = [one for one in looked_at if wanted.holds(one)]
        if len(found) > size:
            return ReleasesPage(found[:size], place_of(found[size - 1]))
        return ReleasesPage(found, None if len(looked_at) < LOOKED_AT_MAX else place_of(looked_at[-1]))

    async def stretches(self, printer: str, from_us: int, to_us: int) -> Sequence[Stretch]:
        known = [stretch for segment in self._segments.get(printer, ()) for stretch in segment.stretches]
        fitting = [stretch for stretch in known if stretch.closes_us >= from_us and stretch.opens_us <= to_us]
        return sorted(fitting, key=lambda one: one.opens_us)

    async def postings(self, from_us: int, to_us: int, printer: str | None = None) -> AsyncIterator[Posting]:
        segments = (one for one in self._all() if printer in {None, one.printer})
        known = [posting for one in segments for posting in one.postings if from_us <= posting.closes_us < to_us]
        for posting in sorted(known, key=lambda one: (one.closes_us, one.printer, one.run, one.channel)):
            yield posting

    async def ledger_rows(
        self, from_us: int, to_us: int, printer: str | None = None
    ) -> AsyncIterator[Sequence[LedgerRow]]:
        index = StretchIndex(stretch for segment in self._all() for stretch in segment.stretches)
        yield [ledger_row(one, index.of(one)) async for one in self.postings(from_us, to_us, printer)]

    async def house_postings(self, from_us: int, to_us: int) -> AsyncIterator[tuple[Posting, Stretch | None]]:
        index = StretchIndex(stretch for segment in self._all() for stretch in segment.stretches)
        async for posting in self.postings(from_us, to_us):
            if any(is_house(account) for account, _ in posting.legs):
                yield posting, index.of(posting)

    async def doubtful_charges(self, from_us: int, to_us: int) -> AsyncIterator[Charge]:
        async for charge in self.charges(from_us, to_us):
            if charge.unproven or charge.verdict is None:
                yield charge

    async def findings(self, *, only_open: bool) -> Sequence[Finding]:
        known = [finding for segment in self._all() for finding in segment.findings]
        return sorted((one for one in known if one.state == "open" or not only_open), key=lambda one: one.since_us)

    async def finding(self, name: str) -> Finding | None:
        return next((finding for finding in await self.findings(only_open=False) if finding.id == name), None)

    async def findings_page(self, wanted: FindingFilter, limit: int, after: Place | None = None) -> FindingsPage:
        size = max(1, min(limit, PAGE_MAX))
        placed = sorted(self._placed(wanted), key=lambda one: one[0])
        behind = [one for one in placed if after is None or one[0] > after]
        page = [finding for _, finding in behind[:size]]
        return FindingsPage(page, behind[size - 1][0] if len(behind) > size else None)

    async def dearest_findings(self, wanted: FindingFilter, limit: int, after: DearPlace | None = None) -> DearestPage:
        size = max(1, min(limit, PAGE_MAX))
        known = (((-abs(one.pages or 0), *place), one) for place, one in self._placed(wanted))
        placed = sorted(known, key=lambda one: one[0])
        behind = [one for one in placed if after is None or one[0] > after]
        return DearestPage([one for _, one in behind[:size]], behind[size - 1][0] if len(behind) > size else None)

    def _placed(self, wanted: FindingFilter) -> Iterator[tuple[Place, Finding]]:
        for segment in self._all():
            for ordinal, one in enumerate(segment.findings):
                if wanted.holds(one):
                    rank = SEVERITIES.index(one.severity)
                    yield (rank, one.since_us, one.printer, one.id, segment.anchor_us, ordinal), one

    async def count_findings(self, wanted: FindingFilter) -> Sequence[FindingCount]:
        groups: dict[tuple[int, str, str, str], list[Finding]] = defaultdict(list)
        for (rank, *_), one in self._placed(wanted):
            groups[rank, one.kind, one.state, one.reason].append(one)
        return [_count(groups[key]) for key in sorted(groups)]

    async def open_findings(self) -> Sequence[OpenFindings]:
        counts = Counter((one.printer, one.severity) for one in await self.findings(only_open=True))
        return [OpenFindings(*key, counts[key]) for key in sorted(counts)]

    async def findings_of(self, release: ReleaseKey) -> Sequence[Finding]:
        return [finding for finding in await self.findings(only_open=False) if release in finding.releases]


def _count(findings: Sequence[Finding]) -> FindingCount:
    """Of findings that are alike."""
    one, pages = findings[0], [finding.pages or 0 for finding in findings]
    too_many, too_few = sum(max(0, many) for many in pages), sum(max(0, -many) for many in pages)
    about_pages = sum(finding.pages is not None for finding in findings)
    return FindingCount(one.severity, one.kind, one.state, one.reason, len(findings), too_many, too_few, about_pages)


def _as_read_back(segment: RowSegment) -> RowSegment:
    """With a resume point of its own that holds what JSON holds: lists for tuples."""
    return (
        segment
        if segment.resume_point is None
        else replace(segment, resume_point=json.loads(canonical_text(segment.resume_point)))
    )
