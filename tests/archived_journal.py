"""Three invented days at two printers, two of them closed, as journals whose readings go into archives."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.app.clocks import SystemClock
from pagereeve.app.closing import ClosingRequest, close_by_hand
from pagereeve.app.journals import JournalPlace, RunningJournal, open_alone
from pagereeve.app.replay import replay_store
from pagereeve.domain.accounts.periods import period_of, zone_of
from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.values.instants import SECOND_US, from_text
from tests.property import days

PRINTERS = ("printer-a", "printer-b")
DAYS = ("2026-11-23", "2026-11-24", "2026-11-25")
AFTER_US = from_text("2026-11-28T00:00:00Z")
ZONE = zone_of("UTC")


async def fill(place: JournalPlace, length: int = 60) -> None:
    """With the rows that follow; the first two days are closed. SystemClock must show AFTER_US."""
    async with open_alone(place, SystemClock(), may_make=True) as journal:
        for number, day in enumerate(DAYS):
            for nth, printer in enumerate(PRINTERS):
                await _day(journal, printer, day, seed=10 * number + nth + 11, length=length)
        await replay_store(journal, store=True)
    for day in DAYS[:2]:
        await close_by_hand(place, ClosingRequest(period_of(day, ZONE), "invented"), "warden")


async def _day(journal: RunningJournal, printer: str, day: str, seed: int, length: int) -> None:
    days.DAY_US = from_text(f"{day}T08:00:00Z")
    for fact, current in days.make_day(seed, length, life=True).steps:
        mine = None if fact is None else replace(fact, printer=printer)
        if mine is not None and not isinstance(mine, PlateauRead | ReadFailed):
            origin = getattr(mine, "origin", None)
            if origin is not None:
                mine = replace(mine, origin=replace(origin, source=f"{origin.source}/{printer}/{day}"))
            await journal.append(mine)
        elif current is not None:
            await journal.observe(printer, [] if mine is None else [mine], replace(current, printer=printer))


LATER_US = AFTER_US + 3600 * SECOND_US
