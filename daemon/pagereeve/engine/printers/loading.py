"""Opening a printer's projector from what is stored: the latest fitting resume point, and the facts since."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.brackets.timeline import Again, started_again
from pagereeve.domain.facts.facts import (
    Conflict,
    Decided,
    Fact,
    PlateauRead,
    ReadFailed,
    ReleaseEnded,
    ReleaseStarted,
    instant_us,
)
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.findings.conflicts import ConflictsKept
from pagereeve.domain.projection.projector import PrinterProjector, concerns_us, needed_from_us
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.ports.resume_points import resume_point_before
from pagereeve.ports.store import HistoryStore
from pagereeve.queries.twins import counting_facts


async def open_projector(
    store: HistoryStore, printer: str, before_us: int = FOREVER_US, brought: PlateauRead | ReadFailed | None = None
) -> PrinterProjector:
    """The projector as of the latest stored resume point that lies before ``before_us``; from the beginning where
    there is none.

    A fact that came late and was stored, but not projected before the process died, leads back to an earlier resume
    point: a run of readings, too, which waited in a spool and ended before that point, as whoever watched the printer
    meanwhile stored rows without it. So does ``brought``, the first of those that came, which may be no fact yet.
    """
    rules = Rules.of([stored.fact for stored in await store.standing_facts(printer)])
    resume_point = await resume_point_before(store, printer, before_us, ResumePoint.from_json)
    from_us = None if resume_point is None else needed_from_us(resume_point, rules)
    facts = await _facts(store, printer, from_us)
    if resume_point is not None and before_us == FOREVER_US:
        late = [concerns_us(brought)] if brought is not None and _end_us(brought) < resume_point.at_us else []
        late_us = min([*late, *await _late_us(store, printer, resume_point, facts)], default=None)
        if late_us is not None:
            return await open_projector(store, printer, late_us)
    projector = PrinterProjector.reopened(printer, rules, resume_point, facts)
    if resume_point is not None:
        for started, again in await _started_again(store, printer, facts):
            projector.mark_again(started, again)
    return projector


async def _facts(store: HistoryStore, printer: str, from_us: int | None) -> list[Fact]:
    """Of conflicts, which are as many as somebody likes, no more than a projection counts."""
    facts: list[Fact] = []
    conflicts = ConflictsKept()
    async for stored in store.facts(printer, from_us):
        if isinstance(stored.fact, Conflict):
            conflicts.add(stored.fact)
        else:
            facts.append(stored.fact)
    return [*await counting_facts(store, printer, [*facts, *conflicts.all()])]


async def _late_us(
    store: HistoryStore, printer: str, resume_point: ResumePoint, facts: Sequence[Fact]
) -> Sequence[int]:
    """The instants that facts concern which were stored after the resume point's time, and lie before it."""
    concerned: list[int] = []
    for fact in await store.late_facts(printer, resume_point.at_us):
        if isinstance(fact, Decided):
            finding = await store.finding(fact.finding)
            concerned.append(instant_us(fact) if finding is None else finding.since_us)
        elif not isinstance(fact, (PlateauRead, ReadFailed)) or _end_us(fact) < resume_point.at_us:
            concerned.append(concerns_us(fact))
    begun = {(fact.origin.source, fact.release) for fact in facts if isinstance(fact, ReleaseStarted)}
    for fact in facts:
        if isinstance(fact, ReleaseEnded) and (fact.origin.source, fact.release) not in begun:
            known = await store.release_facts(fact.origin.source, fact.release)
            starts = [one for one in known if isinstance(one, ReleaseStarted) and one.printer == printer]
            concerned += [one.origin.at_us for one in starts if one.origin.at_us <= resume_point.at_us]
    return [at_us for at_us in concerned if at_us <= resume_point.at_us]


async def _started_again(store: HistoryStore, printer: str, facts: list[Fact]) -> list[tuple[ReleaseStarted, Again]]:
    """Start notices among the facts whose release was started before, perhaps behind the resume point."""
    found: list[tuple[ReleaseStarted, Again]] = []
    for fact in facts:
        if isinstance(fact, ReleaseStarted):
            known = await store.release_facts(fact.origin.source, fact.release)
            starts = [one for one in known if isinstance(one, ReleaseStarted) and one.printer == printer]
            again = started_again(starts).get(fact.origin.key)
            if again is not None:
                found.append((fact, again))
    return found


def _end_us(run: PlateauRead | ReadFailed) -> int:
    return run.plateau.last_received_us if isinstance(run, PlateauRead) else run.silence.last_received_us
