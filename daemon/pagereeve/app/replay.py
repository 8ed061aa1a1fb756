"""``pagereeve replay``: rebuild the ledger from the journal's facts, and say whether anything differs."""

from __future__ import annotations

import gc
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from pagereeve.app.clocks import SystemClock
from pagereeve.app.journals import JournalPlace, open_alone, reads_of
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.projector import PrinterProjector
from pagereeve.ports.journal import DamagedRow
from pagereeve.ports.reads import Reads
from pagereeve.ports.store import Store
from pagereeve.queries.replay import BADGES, Replayed, replayed, replayed_badges, replayed_printer
from pagereeve.store.errors import CantOpen
from pagereeve.store.sqlite.files import wal_path
from pagereeve.store.sqlite.reads import SqlReads

COLLECT_EVERY: Final = 100_000
"""Objects that are new, until cycles are looked for: a few dozen MB."""


@dataclass(slots=True)
class ReplayReport:
    """``differing`` says for each printer which row stood in the tables and did not come out, or the other way round;
    ``behind`` names those whose rows lacked only the latest facts, or were made by an older version of the rules.
    ``damaged`` are the rows that could not be read, and were left out.
    """

    printers: int = 0
    facts: int = 0
    rows: int = 0
    differing: list[str] = field(default_factory=list)
    behind: list[str] = field(default_factory=list)
    damaged: Sequence[DamagedRow] = ()

    def add(self, one: Replayed) -> None:
        self.printers += one.name != BADGES
        self.facts += one.facts
        self.rows += one.rows
        self.differing += one.differing
        if one.behind:
            self.behind.append(one.name)


def collect_seldom() -> None:
    """For a process that does nothing else: what is made of a history, or of a page of rows, lives until the next turn,
    and to look through it for cycles again and again would cost a quarter of the time.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(COLLECT_EVERY)


async def replay_journal(place: JournalPlace) -> ReplayReport:
    """Rebuild the rows of a journal that no daemon may have open. Raises CantOpen."""
    async with open_alone(place, SystemClock()) as journal:
        return await replay_store(journal, store=True)


async def check_journal(place: JournalPlace) -> ReplayReport:
    """Compare only: nothing is written, no lock is taken. Each printer's facts and rows are of one moment.

    A journal that was closed in order needs no free disk for it. Raises CantOpen if a daemon opened it meanwhile.
    """
    report = ReplayReport()
    path = place if isinstance(place, Path) else None
    closed = path is not None and not wal_path(path).exists()
    opening = reads_of(place) if path is None else SqlReads.open_for_reading(path, nobody_writes=closed)
    async with await opening as reads:
        for printer in await reads.printers():
            async with reads.snapshot() as moment:
                report.add(await replayed_printer(moment, printer))
        async with reads.snapshot() as moment:
            report.add(await replayed_badges(moment))
        report.damaged = reads.damaged()
    if path is not None and closed and wal_path(path).exists():
        raise CantOpen(path, "was opened for writing while it was compared; compare it again")
    return report


async def replay_store(journal: Store, *, store: bool) -> ReplayReport:
    """Each printer's rows are replaced in one transaction: who reads meanwhile, or after a kill, finds them whole."""
    report = ReplayReport()
    async for one in replayed(journal):
        report.add(one)
        if store:
            await journal.replace(one.printer, None, one.segments)
    report.damaged = journal.damaged()
    return report


async def history(journal: Reads, printer: str) -> Projected:
    """A printer's whole history, projected in one piece."""
    projector = PrinterProjector(printer, Rules())
    async for stored in journal.facts(printer):
        projector.add(stored.fact)
    run = await journal.open_run(printer)
    projector.open_run(None if run is None else run.fact)
    return projector.projected()
