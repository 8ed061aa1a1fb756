"""What other workers stored reaches the readers of this one, as if it had been taken in here."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.badges.projector import SITE
from pagereeve.domain.facts.facts import (
    BadgePresented,
    Bound,
    Decided,
    Event,
    Fact,
    GatewayChecked,
    PagesDecided,
    PrinterNoted,
    Redated,
    ReleaseAnswered,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.gates import GateAnswers, GatesElsewhere
from pagereeve.engine.intake.intake import EventIntake
from pagereeve.engine.printers.arrivals import Arrival
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.following import FollowedFact, Following
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.ledger import FindingLookup

AT_ONCE: Final = 500
# So many facts are handed on, and then others come to run.
SLICE: Final = 50

# Their meters are about to move, or have to be read before they do (engine/intake/placement.py).
_MOVING: Final = (BadgePresented, ReleaseStarted, PrinterNoted)


@dataclass(slots=True)
class FactFollower:
    """Its readers take a fact that they know already as it is; so nothing rests on each coming once.

    Only watchers that are there hear of their printers' facts: whoever begins to watch one reads the journal, which
    holds what was passed before. ``on_gateway`` hears what became of gateways; ``on_noted`` is called for each note on
    a printer, of others and of this worker, and where dates of some were moved.
    """

    following: Following
    findings: FindingLookup
    clock: Clock
    intake: EventIntake
    registry: PrinterRegistry
    badge_watcher: BadgeWatcher
    on_gateway: Callable[[GatewayChecked], None] = lambda _: None
    on_noted: Callable[[], None] = lambda: None
    heartbeat: Heartbeat = field(init=False)
    asking: GatesElsewhere = field(init=False)
    answering: GateAnswers = field(init=False)
    followed: int = 0
    """Facts of others that were handed on."""
    _through: int = 0

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)
        gates = self.following.gates
        self.asking = self.intake.handing_on.elsewhere = GatesElsewhere(gates)
        self.intake.handing_on.on_noted = self.on_noted
        self.answering = GateAnswers(gates, self.registry, self.intake.storing, self.clock)

    async def run(self) -> None:
        """Until cancelled. While the journal is away nobody stores anything: that is told elsewhere."""
        try:
            await self._follow()
        finally:
            await self.answering.close()

    async def _follow(self) -> None:
        while True:
            self.heartbeat.does("takes what others stored", STORE_LONGEST_S)
            try:
                more = await self.take_some()
                await self.answering.look()
            except JournalUnavailable as error:
                if error.hindrance != "away":
                    raise
            else:
                self.heartbeat.succeeded()
                if more:
                    continue
            self.heartbeat.rests(self.following.longest_s)
            await self.following.news()

    async def take_some(self) -> bool:
        """Whether there may be more. Raises JournalUnavailable: what was not handed on comes again."""
        page = await self.following.page(AT_ONCE)
        facts = [one for one in page.facts if one.position > self._through]
        self._ask_for_readings(facts)
        for nth, one in enumerate(facts, 1):
            await self._hand_on(one.fact)
            self._through = one.position
            self.followed += 1
            if nth % SLICE == 0:
                await asyncio.sleep(0)
        self.following.passed(page)
        return page.more

    def _ask_for_readings(self, facts: Sequence[FollowedFact]) -> None:
        """First of all: it waits for nothing that is looked up."""
        now_us = self.clock.monotonic_us()
        for one in facts:
            watcher = self.registry.watchers.get(one.fact.printer)
            if watcher is not None and isinstance(one.fact, _MOVING):
                if isinstance(one.fact, ReleaseStarted):
                    self.answering.heard(one.fact)
                watcher.ask_for_reading(now_us)

    async def _hand_on(self, fact: Fact) -> None:
        if isinstance(fact, Event):
            self.intake.dating.heard(fact.origin)
        if isinstance(fact, ReleaseStarted):
            await self.intake.storing.heard(fact)
        elif isinstance(fact, ReleaseAnswered):
            self.asking.answered(fact)
        elif isinstance(fact, Bound):
            self.intake.badges.known.add(fact.badge)
        elif isinstance(fact, GatewayChecked):
            self.on_gateway(fact)
        elif isinstance(fact, PrinterNoted | Redated):
            self.on_noted()
        self.badge_watcher.accept(fact)
        if fact.printer != SITE:
            await self._hand_to_watcher(fact)
        elif isinstance(fact, Decided) and (since_us := await self._concerned_us(fact)) is not None:
            self.badge_watcher.begin_again(since_us)

    async def _hand_to_watcher(self, fact: Fact) -> None:
        watcher = self.registry.watchers.get(fact.printer)
        if watcher is None or isinstance(fact, PagesDecided):
            return
        if isinstance(fact, Redated):
            watcher.begin_again(0)
        elif isinstance(fact, ReleaseStarted | ReleaseEnded):
            watcher.take(Arrival(fact, await self.intake.releases.starts(fact.origin.source, fact.release)))
        elif isinstance(fact, Decided):
            watcher.take(Arrival(fact, concerns_us=await self._concerned_us(fact)))
        else:
            watcher.take(Arrival(fact))

    async def _concerned_us(self, decided: Decided) -> int | None:
        """From when on rows may change; None where the finding is no more, and any row may."""
        finding = await self.findings.finding(decided.finding)
        return None if finding is None else finding.since_us
