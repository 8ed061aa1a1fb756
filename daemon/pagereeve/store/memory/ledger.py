"""Projections in memory: ports.ledger.LedgerStore's reads."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import AsyncIterator, Iterator, Sequence
from dataclasses import replace

from pagereeve.domain.findings.finding import release_line
from pagereeve.domain.ledger import Charge, Finding, Posting, ReleaseKey, Sheaf, Stretch
from pagereeve.domain.projection.projector import Update
from pagereeve.domain.projection.running_totals import Figures
from pagereeve.store.memory.outbox import MemoryOutbox
from pagereeve.store.records.batch import Replacement
from pagereeve.store.records.encoding import canonical_text
from pagereeve.store.sql.outbox_writes import changed, standing_of


class MemoryLedger(MemoryOutbox):
    def __init__(self) -> None:
        super().__init__()
        self._sheaves: dict[str, list[Sheaf]] = defaultdict(list)

    def _replace(self, replacement: Replacement) -> None:
        before = self._dropped(replacement)
        after = [standing_of(finding) for sheaf in replacement.sheaves for finding in sheaf.findings]
        self.note_changes(changed((standing_of(finding) for finding in before), after))
        self._replace_sheaves(replacement)

    def _dropped(self, replacement: Replacement) -> Iterator[Finding]:
        from_us = replacement.from_anchor_us
        for sheaf in self._all() if replacement.printer is None else self._sheaves.get(replacement.printer, ()):
            if from_us is None or sheaf.anchor_us >= from_us:
                yield from sheaf.findings

    def _replace_sheaves(self, replacement: Replacement) -> None:
        if replacement.printer is None:
            self._sheaves.clear()
            return
        kept: list[Sheaf] = []
        if replacement.from_anchor_us is not None:
            known = self._sheaves.get(replacement.printer, ())
            kept = [sheaf for sheaf in known if sheaf.anchor_us < replacement.from_anchor_us]
        self._sheaves[replacement.printer] = [*kept, *map(_as_read_back, replacement.sheaves)]

    def _all(self) -> Iterator[Sheaf]:
        for printer in sorted(self._sheaves):
            yield from self._sheaves[printer]

    async def sheaf_before(self, printer: str, at_us: int) -> Sheaf | None:
        known = self._sheaves.get(printer, ())
        fitting = [sheaf for sheaf in known if sheaf.anchor_us <= at_us and sheaf.seed is not None]
        return fitting[-1] if fitting else None

    async def sheaves(self, printer: str) -> Sequence[Sheaf]:
        return list(self._sheaves.get(printer, ()))

    async def figures(self, printer: str, before_us: int) -> Figures:
        figures = Figures()
        known = [sheaf for sheaf in self._sheaves.get(printer, ()) if sheaf.anchor_us < before_us]
        figures.add(Update(0, tuple(known)))
        return figures

    async def charges(self, from_us: int, to_us: int) -> AsyncIterator[Charge]:
        known = [charge for sheaf in self._all() for charge in sheaf.charges if from_us <= charge.started_us < to_us]
        for charge in sorted(known, key=lambda one: (one.started_us, one.printer, one.release, one.channel)):
            yield charge

    async def charges_of(self, release: str) -> Sequence[Charge]:
        known = [charge for sheaf in self._all() for charge in sheaf.charges if charge.release.release == release]
        return sorted(known, key=lambda one: one.started_us)

    async def stretches(self, printer: str, from_us: int, to_us: int) -> Sequence[Stretch]:
        known = [stretch for sheaf in self._sheaves.get(printer, ()) for stretch in sheaf.stretches]
        fitting = [stretch for stretch in known if stretch.closes_us >= from_us and stretch.opens_us <= to_us]
        return sorted(fitting, key=lambda one: one.opens_us)

    async def postings(self, from_us: int, to_us: int) -> AsyncIterator[Posting]:
        known = [posting for sheaf in self._all() for posting in sheaf.postings if from_us <= posting.closes_us < to_us]
        for posting in sorted(known, key=lambda one: (one.closes_us, one.printer, one.run, one.channel)):
            yield posting

    async def findings(self, *, only_open: bool) -> Sequence[Finding]:
        known = [finding for sheaf in self._all() for finding in sheaf.findings]
        return sorted((one for one in known if one.state == "open" or not only_open), key=lambda one: one.since_us)

    async def finding(self, name: str) -> Finding | None:
        return next((finding for finding in await self.findings(only_open=False) if finding.id == name), None)

    async def findings_of(self, release: ReleaseKey) -> Sequence[Finding]:
        line = release_line(release)
        return [finding for finding in await self.findings(only_open=False) if line in finding.evidence]


def _as_read_back(sheaf: Sheaf) -> Sheaf:
    """With a seed of its own that holds what JSON holds: lists for tuples."""
    return sheaf if sheaf.seed is None else replace(sheaf, seed=json.loads(canonical_text(sheaf.seed)))
