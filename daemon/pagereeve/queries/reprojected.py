"""What the facts that a close saw would give by the rules of today: beside it, what is known now came later."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, replace

from pagereeve.domain.accounts.decisions import DecisionPosting, in_force
from pagereeve.domain.facts import redating
from pagereeve.domain.facts.facts import (
    Fact,
    PagesDecided,
    PlateauRead,
    ReadFailed,
    Redated,
    ReleaseEnded,
    ReleaseStarted,
    instant_us,
)
from pagereeve.domain.ledger import Charge, Posting, RowSegment, Stretch
from pagereeve.domain.projection.projector import concerns_us, rebuild
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.ports.reads import Reads
from pagereeve.ports.resume_points import resume_point_before
from pagereeve.queries.page_decisions import ruled

Run = PlateauRead | ReadFailed


@dataclass(frozen=True, slots=True)
class SeenByClose:
    """``heads``: the number of each timeline's last fact that the close saw, at ``at_us``; ``to_us`` is where the
    closed periods end.
    """

    heads: Mapping[str, int]
    at_us: int
    to_us: int


@dataclass(frozen=True, slots=True)
class Reprojected:
    segments: Sequence[RowSegment]
    decided: Sequence[DecisionPosting]


async def reprojected(held: Reads, printer: str, seen: SeenByClose) -> Reprojected | None:
    """A printer's rows by the facts under the heads; None where nothing that came later reaches into closed periods."""
    head = seen.heads.get(printer, 0)
    late = [stored.fact async for stored in held.said_facts(printer, head)]
    current = await held.open_run(printer)
    run = next((fact for fact in late if isinstance(fact, Run)), None if current is None else current.fact)
    if not await _reaches_back(held, printer, late, run, seen):
        return None
    said = [(stored.seq, stored.fact) async for stored in held.said_facts(printer)]
    facts = redating.in_force((seq, fact) for seq, fact in said if seq <= head)
    segments = await asyncio.to_thread(rebuild, printer, facts, _as_it_was(run, seen.at_us))
    decisions = [fact for fact in facts if isinstance(fact, PagesDecided)]
    return Reprojected(segments, in_force(await ruled(_Rows(segments, decisions))))


async def _reaches_back(held: Reads, printer: str, late: Sequence[Fact], run: Run | None, seen: SeenByClose) -> bool:
    """What came later changes rows behind the last resume point before it, and none before that."""
    concerned = [seen.at_us]
    for fact in late:
        if isinstance(fact, PagesDecided | Redated):
            return True
        if isinstance(fact, ReleaseEnded):
            known = await held.release_facts(fact.origin.source, fact.release)
            concerned.append(concerns_us(fact, [one for one in known if isinstance(one, ReleaseStarted)]))
        elif fact is not run or instant_us(fact) > seen.at_us:
            concerned.append(concerns_us(fact))
    point = await resume_point_before(held, printer, min(concerned), ResumePoint.from_json)
    return point is None or point.at_us < seen.to_us


def _as_it_was(run: Run | None, at_us: int) -> Run | None:
    """What the meter was doing at the close: no fact yet, so that it stands behind the heads, or nowhere. When it was
    read last before the close nobody kept; it is taken to have been read then.
    """
    if isinstance(run, PlateauRead) and run.plateau.first_received_us <= at_us:
        plateau = run.plateau
        sent_us, received_us = min(plateau.last_sent_us, at_us), min(plateau.last_received_us, at_us)
        return replace(run, plateau=replace(plateau, last_sent_us=sent_us, last_received_us=received_us))
    if isinstance(run, ReadFailed) and run.silence.first_sent_us <= at_us:
        received_us = min(run.silence.last_received_us, at_us)
        return replace(run, silence=replace(run.silence, last_received_us=received_us))
    return None


class _Rows:
    """ports.decisions.DecisionReads over rows in memory."""

    def __init__(self, segments: Sequence[RowSegment], decisions: Sequence[PagesDecided]) -> None:
        self._decisions = decisions
        self._charges = [one for segment in segments for one in segment.charges]
        self._stretches = [one for segment in segments for one in segment.stretches]
        self._postings = [one for segment in segments for one in segment.postings]

    async def page_decisions(self) -> AsyncIterator[PagesDecided]:
        for one in self._decisions:
            yield one

    async def charges_of(self, release: str) -> Sequence[Charge]:
        return [one for one in self._charges if one.release.release == release]

    async def stretches(self, printer: str, from_us: int, to_us: int) -> Sequence[Stretch]:
        known = (one for one in self._stretches if one.printer == printer)
        return [one for one in known if one.closes_us >= from_us and one.opens_us <= to_us]

    async def postings(self, from_us: int, to_us: int) -> AsyncIterator[Posting]:
        for one in self._postings:
            if from_us <= one.closes_us < to_us:
                yield one
