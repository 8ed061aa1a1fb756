"""Do two journals give the same answers? For one that was moved: its totals, its findings, its closed periods.

Each question is asked of both, page by page where there may be many rows.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass, replace
from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import between
from pagereeve.domain.accounts.totals import By
from pagereeve.ports.findings import PAGE_MAX, FindingFilter, Place
from pagereeve.ports.reads import Reads
from pagereeve.queries.totals import totals_of

_BY: Final[tuple[By, ...]] = ("person", "cost-centre", "printer")
_ALL: Final = FindingFilter()


@dataclass(frozen=True, slots=True)
class Compared:
    """``lines`` of an answer, which were the same or not."""

    question: str
    lines: int
    same: bool


async def compared_answers(ours: Reads, theirs: Reads) -> AsyncIterator[Compared]:
    """Nobody writes either meanwhile. Raises JournalUnavailable."""
    always = between(None, None, ZoneInfo("UTC"))
    for by in _BY:
        answers = [await totals_of(one, always, by) for one in (ours, theirs)]
        yield Compared(f"totals by {by}", len(answers[0].lines), answers[0] == answers[1])
    yield await _findings(ours, theirs)
    closed = [await one.closed_periods() for one in (ours, theirs)]
    yield Compared("closed periods", len(closed[0]), list(closed[0]) == list(closed[1]))


async def _findings(ours: Reads, theirs: Reads) -> Compared:
    done = Compared("findings", 0, list(await ours.count_findings(_ALL)) == list(await theirs.count_findings(_ALL)))
    after: Place | None = None
    while True:
        pages = [await one.findings_page(_ALL, PAGE_MAX, after) for one in (ours, theirs)]
        same = list(pages[0].findings) == list(pages[1].findings) and pages[0].after == pages[1].after
        done = replace(done, lines=done.lines + len(pages[0].findings), same=done.same and same)
        after = pages[0].after
        if after is None or not done.same:
            return done
