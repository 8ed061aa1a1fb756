"""Do the rows of the ledger follow from the facts alone? Each printer, and the checks of badges, compared in one pass.

Rows that differ are either *behind*, or they *differ*. They are behind where they are those of the same facts without
the latest few, as a daemon leaves them that died before it projected these; or where an older version of the rules
made them, which the daemon's next start rebuilds. Anything else differs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.badges.projector import BADGES_VERSION, SITE, rebuild_badges
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, rebuild
from pagereeve.domain.projection.resume_point import PROJECTION_VERSION, ResumePoint
from pagereeve.ports.reads import FactsAndRows
from pagereeve.queries.rows_behind import BEHIND_MAX, Run, are_of_fewer_facts
from pagereeve.queries.twins import counting_facts

EXAMPLES_MAX: Final = 10

BADGES: Final = "badges"
"""The name under which the checks of badges are reported; they are of no printer."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """What follows from the facts, compared with what stood. ``differing`` is empty where rows are behind or equal."""

    name: str
    printer: str
    segments: Sequence[RowSegment]
    facts: int
    rows: int
    differing: tuple[str, ...] = ()
    behind: bool = False


async def replayed(reads: FactsAndRows) -> AsyncIterator[Replayed]:
    """Every printer that has facts, also one that the settings no longer name; then badges. One at a time in memory."""
    for printer in await reads.printers():
        yield await replayed_printer(reads, printer)
    yield await replayed_badges(reads)


async def printer_anew(reads: FactsAndRows, printer: str) -> Sequence[RowSegment]:
    """What follows from the printer's facts, compared with nothing: for rows that are replaced whatever they are."""
    return rebuild(printer, *await _facts_and_run(reads, printer))


async def badges_anew(reads: FactsAndRows) -> Sequence[RowSegment]:
    rules = SiteRules.of([stored.fact for stored in await reads.standing_facts(SITE)])
    return await rebuild_badges(rules, reads.badge_facts())


async def _facts_and_run(reads: FactsAndRows, printer: str) -> tuple[list[Fact], Run | None]:
    facts = [*await counting_facts(reads, printer, [stored.fact async for stored in reads.facts(printer)])]
    run = await reads.open_run(printer)
    return facts, None if run is None else run.fact


async def replayed_printer(reads: FactsAndRows, printer: str) -> Replayed:
    facts, current = await _facts_and_run(reads, printer)
    stood, came = await reads.segments(printer), rebuild(printer, facts, current)
    lines = differences(printer, Ledger.of(stood), Ledger.of(came))
    behind = bool(lines) and (
        _is_of_another_version(stood, PROJECTION_VERSION) or _is_of_fewer_facts(printer, facts, current, stood, came)
    )
    return Replayed(printer, printer, came, len(facts), _count(came), () if behind else lines, behind)


async def replayed_badges(reads: FactsAndRows) -> Replayed:
    rules = SiteRules.of([stored.fact for stored in await reads.standing_facts(SITE)])
    events = [fact async for fact in reads.badge_facts()]
    stood, came = await reads.segments(SITE), await rebuild_badges(rules, _each(events))
    lines = differences(BADGES, Ledger.of(stood), Ledger.of(came))
    behind = bool(lines) and (
        _is_of_another_version(stood, BADGES_VERSION) or await _is_of_fewer_events(rules, events, stood)
    )
    return Replayed(BADGES, SITE, came, 0, _count(came), () if behind else lines, behind)


def differences(name: str, stood: Ledger, came: Ledger) -> tuple[str, ...]:
    """Rows that only one of both has, equal rows counted: EXAMPLES_MAX lines, and one that says how many more."""
    if stood == came:
        return ()
    lines: list[str] = []
    after = _tables(came)
    for table, rows in _tables(stood).items():
        before, now = Counter(rows), Counter(after[table])
        lines += [f"{name}: only in the tables: {table} {row}" for row in (before - now).elements()]
        lines += [f"{name}: only in the replay: {table} {row}" for row in (now - before).elements()]
    if len(lines) > EXAMPLES_MAX:
        lines = [*lines[:EXAMPLES_MAX], f"{name}: and {len(lines) - EXAMPLES_MAX} more"]
    return tuple(lines)


def _tables(ledger: Ledger) -> Mapping[str, Sequence[object]]:
    return {
        "stretch": ledger.stretches,
        "charge": ledger.charges,
        "posting": ledger.postings,
        "finding": ledger.findings,
    }


def _count(segments: Sequence[RowSegment]) -> int:
    return sum(len(rows) for rows in _tables(Ledger.of(segments)).values())


def _is_of_another_version(stood: Sequence[RowSegment], version: int) -> bool:
    return any(one.resume_point is not None and one.resume_point.get("version") != version for one in stood)


def _is_of_fewer_facts(
    printer: str, facts: Sequence[Fact], run: Run | None, stood: Sequence[RowSegment], came: Sequence[RowSegment]
) -> bool:
    """The closed rows are right, and the open ones those that followed before the latest facts came.

    Only what lies behind the last stored resume point is projected.
    """
    resumed = [one for one in stood if one.resume_point is not None]
    point = ResumePoint.from_json(resumed[-1].resume_point) if resumed else None
    closed = [one for one in stood if point is not None and one.anchor_us < point.at_us]
    if not _is_part_of(Ledger.of(closed), Ledger.of(came)):
        return False
    open_rows = Ledger.of([one for one in stood if point is None or one.anchor_us >= point.at_us])

    def project(known: Sequence[Fact], running: Run | None) -> Ledger:
        projector = PrinterProjector.reopened(printer, Rules.of(known), point, known)
        projector.open_run(running)
        update = projector.advance()
        return Ledger.of(() if update is None else update.segments)

    return are_of_fewer_facts(facts, run, open_rows, project)


async def _is_of_fewer_events(rules: SiteRules, events: Sequence[Fact], stood: Sequence[RowSegment]) -> bool:
    before = Ledger.of(stood)
    for count in range(len(events) - 1, max(-1, len(events) - BEHIND_MAX - 1), -1):
        if Ledger.of(await rebuild_badges(rules, _each(events[:count]))) == before:
            return True
    return False


def _is_part_of(some: Ledger, whole: Ledger) -> bool:
    return all(not Counter(rows) - Counter(_tables(whole)[name]) for name, rows in _tables(some).items())


async def _each(facts: Sequence[Fact]) -> AsyncIterator[Fact]:
    for fact in facts:
        yield fact
