"""The one owner of the badge checks: it receives every badge and start notice, and keeps their findings up to date."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field

from pagereeve.domain.badges.checks import KINDS
from pagereeve.domain.badges.projector import SEAL_EVERY, SITE, SLICE, BadgeProjector, BadgeResumePoint, checked_event
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.projection.running_totals import RunningTotals
from pagereeve.domain.values.instants import FOREVER_US, SECOND_US
from pagereeve.engine.ledger_updater import LedgerUpdater
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.engine.supervision.wakeup import Wakeup
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.resume_points import resume_point_before
from pagereeve.ports.store import BadgeStore

HEARD_MAX = 10_000
# Badges come in handfuls: their findings are looked at together, this often.
SETTLE_EVERY_S = 1.0
# Notices and badges overtake one another by this much every day: waiting for it costs less than folding again.
LAG_US = 2 * SECOND_US
# At a start, events of so long ago are looked through for one that nobody had found when the process died.
LOOK_BACK_US = 86_400 * SECOND_US


@dataclass(slots=True)
class BadgeWatcher:
    """``accept`` never waits: beyond HEARD_MAX facts it forgets them, and reads them from the store instead."""

    store: BadgeStore
    clock: Clock
    settle_every_s: float = SETTLE_EVERY_S
    seal_every: int = SEAL_EVERY
    heartbeat: Heartbeat = field(init=False)
    updater: LedgerUpdater[BadgeProjector] = field(init=False)
    _wakeup: Wakeup = field(init=False)
    _heard: deque[Fact] = field(default_factory=lambda: deque(maxlen=HEARD_MAX))

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)
        self.updater = LedgerUpdater(SITE, self.store, self.clock, self.heartbeat, self._projector_before)
        self._wakeup = Wakeup(self.clock, self.heartbeat)

    @property
    def projector(self) -> BadgeProjector | None:
        return self.updater.projector

    @property
    def running_totals(self) -> RunningTotals:
        return self.updater.running_totals

    def open_findings(self) -> Mapping[str, int]:
        """By kind, every kind there; nothing before the rows are read: a 0 would be a lie, and then a rise."""
        known = self.running_totals.open_findings
        return {} if self.projector is None else {kind: known[kind] for kind in KINDS}

    def accept(self, fact: Fact) -> None:
        """A fact that is durable."""
        if checked_event(fact) is None and fact.printer != SITE:
            return
        if len(self._heard) == HEARD_MAX:
            self.updater.begin_again(min(_instant_us(one) for one in self._heard))
            self._heard.clear()
        self._heard.append(fact)
        self._wakeup.call()

    def begin_again(self, before_us: int) -> None:
        """What was found from that instant on is to be found again: a person decided, or a fact came late."""
        self.updater.begin_again(before_us)
        self._wakeup.call()

    async def run(self) -> None:
        projector = await self.updater.open()
        while True:
            self.heartbeat.does("stores what it found", STORE_LONGEST_S)
            until_us = self.clock.now_us() - LAG_US
            await self.updater.keep(await self.updater.project_in_slices(projector.advancing(until_us)))
            self.heartbeat.succeeded()
            if not projector.waits and not self.updater.must_reopen:
                await self._wakeup.rest()
            self.heartbeat.does("gathers what comes", self.settle_every_s + STORE_LONGEST_S)
            await self.clock.sleep(self.settle_every_s)
            self._wakeup.clear()
            await self._take_heard(projector)
            if self.updater.must_reopen:
                projector = await self.updater.reopen()

    async def renew(self, before_us: int) -> None:
        """Without running: what was found from that instant on is found again, and stored."""
        self.updater.begin_again(before_us)
        await self.updater.reopen()
        await self.updater.finish()

    async def finish(self) -> None:
        """After ``run`` was cancelled, wherever it was: leave the findings as the journal has them. Where its database
        is away, the next start finds what is still to be found.
        """
        projector = self.projector
        if projector is None or not (self._heard or self.updater.dirty or projector.waits):
            return
        await self._take_heard(projector)
        try:
            await self.updater.finish()
        except JournalUnavailable as error:
            if error.hindrance != "away":
                raise

    async def _take_heard(self, projector: BadgeProjector) -> None:
        """What was heard by now. What is cut off in between is still there to be taken."""
        for nth in range(len(self._heard)):
            # Fewer than there were, where too many came meanwhile and are to be read again.
            if not self._heard:
                return
            self._take(self._heard.popleft(), projector)
            self.updater.changed()
            if nth % SLICE == SLICE - 1:
                await asyncio.sleep(0)

    def _take(self, fact: Fact, projector: BadgeProjector) -> None:
        event = checked_event(fact)
        if event is None:
            projector.rules.add(fact)
            projector.renew()
        elif projector.is_late(event):
            self.updater.begin_again(event.origin.at_us)
        else:
            projector.add(event)

    async def _projector_before(self, before_us: int) -> BadgeProjector:
        """The projector as of the latest stored resume point before an instant, with the facts since."""
        rules = SiteRules.of([stored.fact for stored in await self.store.standing_facts(SITE)])
        resume_point = await self._resume_point_before(before_us)
        projector = BadgeProjector(rules, resume_point, seal_every=self.seal_every)
        count = 0
        async for fact in self.store.badge_facts(projector.needed_from_us()):
            event = checked_event(fact)
            if event is not None:
                projector.add(event)
            count += 1
            if count % SLICE == 0:
                await asyncio.sleep(0)
        return projector

    async def _resume_point_before(self, before_us: int) -> BadgeResumePoint | None:
        """At a start, one behind which nothing arrived since: that may be stored, and not found as the process died."""
        resume_point = await resume_point_before(self.store, SITE, before_us, BadgeResumePoint.from_json)
        if resume_point is None or before_us != FOREVER_US:
            return resume_point
        late_us = FOREVER_US
        async for fact in self.store.badge_facts(resume_point.at_us - LOOK_BACK_US):
            event = checked_event(fact)
            if event is not None and event.origin.at_us > resume_point.at_us:
                break
            if event is not None and event.origin.received_us > resume_point.at_us:
                late_us = min(late_us, event.origin.at_us)
        if late_us == FOREVER_US:
            return resume_point
        return await resume_point_before(self.store, SITE, late_us, BadgeResumePoint.from_json)


def _instant_us(fact: Fact) -> int:
    event = checked_event(fact)
    return FOREVER_US if event is None else event.origin.at_us
