"""What the daemon's log says of what happens in its parts."""

from __future__ import annotations

import structlog

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.overload import Overload
from pagereeve.feeds.lines.relayed import LinesDropped, RelayGone
from pagereeve.ports.journal import DamagedRow, JournalUnavailable

log = structlog.get_logger("pagereeve.app")


def stalled(stalled: list[str]) -> None:
    if stalled:
        log.critical("work is stuck, and the service manager's watchdog is no longer fed", why="; ".join(stalled))
    else:
        log.warning("work that was stuck goes on")


def journal(why: str) -> None:
    if why:
        log.critical("the journal stores nothing, and nothing is acknowledged", why=why)
    else:
        log.warning("the journal stores again")


def unfinished(name: str, why: str) -> None:
    log.warning("what an older version needs stays in the database until a start finds none", journal=name, why=why)


def overload(overload: Overload | None) -> None:
    if overload is not None:
        log.warning("more is asked than can be done: polls and senders that can wait are put off", why=overload.words)
    else:
        log.warning("no more is asked than can be done: nobody is put off any more")


def damaged(row: DamagedRow) -> None:
    log.error("a stored row is damaged, and is left out", printer=row.printer, number=row.seq, kind=row.kind)


def meter(printer: str, text: str) -> None:
    log.warning("the printer is other than it was", printer=printer, why=text)


def learned(printer: str, settle_us: int) -> None:
    log.info("settle time learnt", printer=printer, settle_s=settle_us / SECOND_US)


def archive_wanted(printer: str, why: str) -> None:
    if why:
        log.error("older rows wait for the file of an archive; the meter is read on", printer=printer, why=why)
    else:
        log.warning("older rows wait for no file of an archive any more", printer=printer)


def trouble(name: str, error: BaseException) -> None:
    """Of a task or a feed."""
    if isinstance(error, JournalUnavailable):
        log.error("the journal stores nothing now", task=name, why=str(error))
    elif isinstance(error, LinesDropped | RelayGone):
        log.error("badge lines of a relay", task=name, why=str(error))
    else:
        log.error("task failed and restarts", task=name, exc_info=error)
