"""Last stage: watchers receive what is durable. The only module of the intake that calls them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from pagereeve.domain.badges.projector import checked_event
from pagereeve.domain.brackets.timeline import EventKey
from pagereeve.domain.facts.facts import (
    AnswerReading,
    AnswerRest,
    Fact,
    PagesDecided,
    PrinterNoted,
    ReleaseStarted,
    instant_us,
)
from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.intake.placement import Placed
from pagereeve.engine.intake.storing import Stored
from pagereeve.engine.printers.arrivals import Arrival
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.engine.printers.watcher import PrinterWatcher


@dataclass(frozen=True, slots=True)
class Waited:
    """What a gated sender is told. ``kept``: that is a fact already."""

    reading: AnswerReading
    rest: AnswerRest = ""
    kept: bool = False


class Elsewhere(Protocol):
    """Waits for a printer that another worker watches."""

    async def wait(self, started: ReleaseStarted, wait_s: float, *, rest: bool, stored: bool) -> Waited: ...


@dataclass(slots=True)
class HandingOn:
    """``on_noted`` is called for each note on a printer, whoever watches it."""

    registry: PrinterRegistry
    badge_watcher: BadgeWatcher
    elsewhere: Elsewhere | None = None
    on_noted: Callable[[], None] = lambda: None

    def ask_for_readings(self, placed: Placed, since_us: int) -> None:
        """Before the facts are durable: the meters are about to move, and a read does no harm. One that was sent after
        the notice came, at ``since_us`` (monotonic), is enough.
        """
        for printer in placed.meters:
            watcher = self.registry.watcher(printer)
            if watcher is not None:
                watcher.ask_for_reading(since_us)

    async def hand_on(self, stored: Stored) -> None:
        """A duplicate changes nothing, and a decision about pages no row. Waits for nobody: what one printer has to do
        holds up no other's notices.
        """
        fact, outcome = stored.fact, stored.receipt.outcome
        if outcome == "duplicate" or isinstance(fact, PagesDecided):
            return
        if outcome == "stored" and checked_event(fact) is not None:
            self.badge_watcher.accept(fact)
        if outcome == "stored" and isinstance(fact, PrinterNoted):
            self.on_noted()
        if fact.printer:
            watcher = self.registry.watcher(fact.printer)
            if watcher is None:
                return
            if outcome == "stored":
                watcher.take(Arrival(fact, stored.starts, stored.concerns_us))
                self._project_twins(fact, stored.receipt.twins)
            elif stored.receipt.conflict is not None:
                watcher.take(Arrival(stored.receipt.conflict))
        elif outcome == "stored" and stored.concerns_us is not None:
            self.badge_watcher.begin_again(stored.concerns_us)

    def _project_twins(self, fact: Fact, twins: Sequence[tuple[str, int]]) -> None:
        """Which of them counts, all journals' facts say together: only a projector that reads them anew sees that."""
        for printer, at_us in ((fact.printer, instant_us(fact)), *twins) if twins else ():
            watcher = self.registry.watcher(printer)
            if watcher is not None:
                watcher.begin_again(at_us)

    async def wait(self, placed: Placed, wait_s: float, since_us: int, *, rest: bool, stored: bool = True) -> Waited:
        """For a gated sender: what became, within ``wait_s``, of a reading sent since its notice came, at ``since_us``
        (monotonic): until it is answered the job is held. With ``rest`` also whether the releases answered before it
        came to rest. ``stored``: this delivery is the first.
        """
        watcher = self.registry.watcher(placed.gate)
        started = placed.facts[0] if isinstance(placed.facts[0], ReleaseStarted) else None
        if watcher is not None:
            return await waited_at(watcher, started.origin.key if started else ("", ""), wait_s, since_us, rest=rest)
        if started is not None and self.elsewhere is not None and placed.gate in self.registry.registered:
            return await self.elsewhere.wait(started, wait_s, rest=rest, stored=stored)
        return Waited("not-waited", "not-rested" if rest else "")


async def waited_at(watcher: PrinterWatcher, notice: EventKey, wait_s: float, since_us: int, *, rest: bool) -> Waited:
    """As HandingOn.wait, for one that is watched here."""
    if not rest:
        return Waited(_said(await watcher.reading(wait_s, since_us)))
    read, rested = await asyncio.gather(watcher.reading(wait_s, since_us), watcher.rest(notice, wait_s, since_us))
    return Waited(_said(read), "rested" if rested else "not-rested")


def _said(result: Reading | Failure | None) -> AnswerReading:
    if result is None:
        return "not-waited"
    return "in-hand" if isinstance(result, Reading) else "failed"
