"""A printer's ledger in a few sums, kept up to date segment by segment: for metrics, where no row may be read again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from pagereeve.domain.ledger import METER, PageKey, Posting, RowSegment, account_kind
from pagereeve.domain.projection.projector import Update


@dataclass(slots=True)
class RunningTotals:
    """``pages`` received by account kind, ``open_findings`` by kind: of the sealed segments, and of the open one."""

    pages: Counter[PageKey] = field(default_factory=Counter)
    open_findings: Counter[str] = field(default_factory=Counter)
    _open: list[RowSegment] = field(default_factory=list)

    def add_pages(self, channel: str, account: str, pages: int) -> None:
        kind = account_kind(account)
        if kind != METER:
            self.pages[channel, kind] += pages

    def add(self, update: Update) -> None:
        """An update that begins at the open segment, as every one does unless a fact came late."""
        self._count(self._open, sign=-1)
        self._open = [segment for segment in update.segments if segment.resume_point is None]
        self._count(update.segments, sign=1)

    def _count(self, segments: Iterable[RowSegment], *, sign: int) -> None:
        for segment in segments:
            for posting in segment.postings:
                self._post(posting, sign)
            for finding in segment.findings:
                if finding.state == "open":
                    self.open_findings[finding.kind] += sign

    def _post(self, posting: Posting, sign: int) -> None:
        for account, pages in posting.legs:
            self.add_pages(posting.channel, account, sign * pages)
