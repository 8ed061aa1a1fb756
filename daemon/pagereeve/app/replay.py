"""``pagereeve replay``: drop the projection, rebuild it from the journal's facts, and say whether anything differs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.badges.projector import SITE, rebuild_badges
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, rebuild
from pagereeve.ports.reads import Reads
from pagereeve.ports.store import Store
from pagereeve.store.sqlite.journal import SqlJournal

EXAMPLES_MAX = 10


@dataclass(slots=True)
class ReplayReport:
    """``differing`` says for each printer what stood in the tables and did not come out, or the other way round."""

    printers: int = 0
    facts: int = 0
    rows: int = 0
    differing: list[str] = field(default_factory=list)


async def replay_journal(path: Path, *, store: bool = True) -> ReplayReport:
    """Replay the journal at ``path``, which no daemon may have open; ``store`` False only compares."""
    journal = await SqlJournal.open(path, SystemClock())
    try:
        return await replay_store(journal, store=store)
    finally:
        await journal.close()


async def history(journal: Reads, printer: str) -> Projected:
    """A printer's whole history, projected in one piece."""
    projector = PrinterProjector(printer, Rules())
    async for stored in journal.facts(printer):
        projector.add(stored.fact)
    run = await journal.open_run(printer)
    projector.open_run(None if run is None else run.fact)
    return projector.projected()


async def replay_store(journal: Store, *, store: bool) -> ReplayReport:
    report = ReplayReport()
    rebuilt: dict[str, Sequence[RowSegment]] = {}
    for printer in await journal.printers():
        facts: list[Fact] = [stored.fact async for stored in journal.facts(printer)]
        run = await journal.open_run(printer)
        fresh = rebuild(printer, facts, None if run is None else run.fact)
        report.printers += 1
        report.facts += len(facts)
        stood, came = Ledger.of(await journal.segments(printer)), Ledger.of(fresh)
        report.rows += sum(len(rows) for rows in _tables(came).values())
        report.differing += _differences(printer, stood, came)
        rebuilt[printer] = fresh
    rules = SiteRules.of([stored.fact for stored in await journal.standing_facts(SITE)])
    rebuilt[SITE] = await rebuild_badges(rules, journal.badge_facts())
    stood, came = Ledger.of(await journal.segments(SITE)), Ledger.of(rebuilt[SITE])
    report.rows += len(came.findings)
    report.differing += _differences("badges", stood, came)
    if store:
        await journal.clear()
        for printer, segments in rebuilt.items():
            await journal.replace(printer, None, segments)
    return report


def _tables(ledger: Ledger) -> dict[str, Sequence[object]]:
    return {
        "stretch": ledger.stretches,
        "charge": ledger.charges,
        "posting": ledger.postings,
        "finding": ledger.findings,
    }


def _differences(printer: str, stood: Ledger, came: Ledger) -> list[str]:
    lines: list[str] = []
    after = _tables(came)
    for name, rows in _tables(stood).items():
        lines += [f"{printer}: only in the tables: {name} {row}" for row in rows if row not in after[name]]
        lines += [f"{printer}: only in the replay: {name} {row}" for row in after[name] if row not in rows]
    if len(lines) > EXAMPLES_MAX:
        lines = [*lines[:EXAMPLES_MAX], f"{printer}: and {len(lines) - EXAMPLES_MAX} more"]
    return lines
