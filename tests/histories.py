"""Small invented histories of one printer, written out by hand: facts whose ledger can be worked out on paper."""

from __future__ import annotations

from collections.abc import Iterable

from pagereeve.domain.facts.facts import (
    Assigned,
    BadgePresented,
    Fact,
    Origin,
    PlateauRead,
    PolicySet,
    ReadFailed,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Plateau, PrinterState, Sight, Silence, SilenceReason, Unit
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.instants import SECOND_US, from_text
from pagereeve.store.memory.journal import MemoryJournal

PRINTER = "library-ground"
SOURCE = "/release-server"
NINE = from_text("2026-11-25T09:00:00Z")


def at(seconds: float) -> int:
    """So many seconds after nine o'clock (UTC) of an invented Wednesday."""
    return NINE + round(seconds * SECOND_US)


def origin(name: str, seconds: float, source: str = SOURCE) -> Origin:
    return Origin(source, name, at(seconds), at(seconds) + 200_000, at(seconds))


def policy(seconds: float = -3600.0, value: Policy | None = None) -> PolicySet:
    return PolicySet(PRINTER, at(seconds), value or Policy())


def started(name: str, seconds: float, owner: str, ticket: Ticket, badge: str = "", source: str = SOURCE) -> Fact:
    job = f"job-{name}"
    return ReleaseStarted(
        PRINTER, origin(f"{name}.started", seconds, source), name, job, owner, "gate-1", badge, ticket=ticket
    )


def ended(name: str, seconds: float, source: str = SOURCE) -> Fact:
    return ReleaseEnded(PRINTER, origin(f"{name}.ended", seconds, source), name, "completed")


def badge(seconds: float, hashed: str) -> Fact:
    return BadgePresented(PRINTER, origin(f"badge-{seconds}", seconds, "urn:pagereeve:feed:line"), hashed, "gate-1")


def assigned(owner: str, cost_centre: str, at_us: int) -> Fact:
    return Assigned(at_us, owner, cost_centre)


def reading(
    first: float,
    last: float,
    total: int,
    state: PrinterState = PrinterState.IDLE,
    count: int = 2,
    unit: Unit = Unit.IMPRESSIONS,
) -> PlateauRead:
    """Answers of one value: the first asked for at ``first``, the last at ``last``, each answered 0.05 s later."""
    sight = Sight((("total", Count(total, unit)),), "SN-0001", "1.3.6.1.4.1.99999.1", state)
    plateau = Plateau(
        first_sent_us=at(first),
        first_received_us=at(first + 0.05),
        last_sent_us=at(last),
        last_received_us=at(last + 0.05),
        count=count if last > first else 1,
        sight=sight,
    )
    return PlateauRead(PRINTER, plateau)


def failed(first: float, last: float, count: int) -> ReadFailed:
    return ReadFailed(PRINTER, Silence(at(first), at(last), count, SilenceReason.TIMEOUT))


SIMPLE = Ticket(pages=5, copies=1, sides="one-sided", number_up=1, separator_sheets=0)

ONE_RELEASE: tuple[Fact, ...] = (
    policy(),
    reading(-1800, -2, 1000, count=4),
    badge(-3, "b-0123456789abcdef0123456789abcdef"),
    started("r-1001", 0, "anise", SIMPLE, badge="b-0123456789abcdef0123456789abcdef"),
    reading(3, 3, 1002, PrinterState.PRINTING),
    failed(5, 8, 1),
    ended("r-1001", 6),
    reading(9, 60, 1005, count=9),
)
"""Five pages released, five counted: 1005 - 1000."""


async def journal_of(facts: Iterable[Fact], open_run: PlateauRead | None = None) -> MemoryJournal:
    """A journal in memory that holds the facts and the projection made of them."""
    journal = MemoryJournal()
    known = list(facts)
    for fact in known:
        await journal.append(fact)
    if open_run is not None:
        await journal.observe(open_run.printer, [], open_run)
    for printer in await journal.printers():
        mine = [fact for fact in known if fact.printer == printer]
        run = open_run if open_run is not None and open_run.printer == printer else None
        await journal.replace(printer, None, rebuild(printer, mine, run))
    return journal
