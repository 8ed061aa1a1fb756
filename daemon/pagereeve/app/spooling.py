"""The spool of a daemon whose journal is in a database: where it lies, and what is told of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Self

import structlog

from pagereeve.app.journals import RunningJournal
from pagereeve.engine.intake.intake import EventIntake
from pagereeve.engine.intake.lost_lines import LostLines
from pagereeve.engine.intake.spooling import Spooling
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.feeds.kind import OpenFeed
from pagereeve.ports.seal import SealHeads
from pagereeve.ports.spool import NotSpooled, SpoolFigures
from pagereeve.queries.verify import journal_heads
from pagereeve.settings import Settings
from pagereeve.store.spool.spool import SpoolFile

NAMES: Final = "spool-*.sqlite"
ORIGIN_DIGITS: Final = 12

log = structlog.get_logger("pagereeve.spool")


def spool_path(folder: Path, origin: str) -> Path:
    """What waits belongs to one journal: that of another database finds its own file."""
    return folder / f"spool-{origin[:ORIGIN_DIGITS]}.sqlite"


async def open_spool(settings: Settings, journal: SealHeads) -> SpoolFile | None:
    """None where the journal is a file: what the disk does not take there it would not take here. Also where the file
    can't be used: the daemon works without it, and says so. Raises JournalUnavailable.
    """
    head = None if settings.journal.url is None else await journal_heads(journal)
    if head is None:
        return None
    path = spool_path(settings.data_dir, head.origin)
    for other in sorted(settings.data_dir.glob(NAMES)):
        if other != path:
            log.warning("a spool of another journal is left as it is", file=str(other))
    try:
        spool = await SpoolFile.open(path)
    except NotSpooled as error:
        log.critical("badge lines and readings have no spool while the journal is away", why=str(error))
        return None
    figures = spool.figures()
    if figures.events or figures.runs:
        log.warning("what waited in the spool goes into the journal", badges=figures.events, readings=figures.runs)
    return spool


def _told(what: str, error: BaseException) -> None:
    log.error("what waited can't be stored", what=what, why=str(error))


@dataclass(slots=True)
class SpoolKeeper:
    """What the daemon knows of a journal that is away. ``spool`` is None where there is none."""

    store: RunningJournal
    spool: SpoolFile | None

    @classmethod
    async def opened(cls, settings: Settings, store: RunningJournal) -> Self:
        """Raises JournalUnavailable."""
        return cls(store, await open_spool(settings, store))

    async def close(self) -> None:
        if self.spool is not None:
            await self.spool.close()

    def start(
        self,
        intake: EventIntake,
        registry: PrinterRegistry,
        supervisor: Supervisor,
        feeds: Mapping[str, OpenFeed],
    ) -> None:
        """What waits from before goes into the journal, also readings of printers that nobody lists any more, or that
        another worker watches.
        """
        if self.spool is None:
            return
        for printer in self.spool.printers():
            registry.bring(printer)
        one = intake.spooling = Spooling(self.spool, intake.clock, intake.replay, self.is_away, _told)
        supervisor.start("spool", "spool", one.run, heartbeat=one.heartbeat, forever=True)

        def lost() -> int:
            return sum(feed.stats.lost_lines for feed in feeds.values())

        lines = LostLines(intake.clock, self.store.append, intake.badge_watcher.accept, lost, self.is_away)
        supervisor.start("spool", "lost lines", lines.run, heartbeat=lines.heartbeat, forever=True)

    def is_away(self) -> bool:
        return self.store.health().hindrance == "away"

    def figures(self) -> SpoolFigures:
        return SpoolFigures() if self.spool is None else self.spool.figures()

    def trouble(self) -> str:
        """The journal's, and what waits meanwhile."""
        trouble, figures = self.store.trouble(), self.figures()
        if not trouble or not (figures.events or figures.runs):
            return trouble
        return f"{trouble}; {figures.events} badge events and {figures.runs} runs of readings wait in the spool"
