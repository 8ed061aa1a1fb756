"""The one owner of the badge checks: it receives every badge and start notice, and keeps their findings up to date."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, field

from pagereeve.domain.badges.projector import SEAL_EVERY, SITE, BadgeProjector, BadgeResumePoint, checked_event
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.projection.running_totals import RunningTotals
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.heartbeat import OPEN_LONGEST_S, STORE_LONGEST_S, WAKE_EVERY_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.resume_points import resume_point_before
from pagereeve.ports.store import Store

HEARD_MAX = 10_000
# Badges come in handfuls: their findings are looked at together, this often.
SETTLE_EVERY_S = 1.0
# Notices and badges overtake one another by this much every day: waiting for it costs less than folding again.
LAG_US = 2 * SECOND_US
# At a start, events of so long ago are looked through for one that nobody had found when the process died.
LOOK_BACK_US = 86_400 * SECOND_US
FOREVER_US = 2**62


@dataclass(slots=True)
class BadgeWatcher:
    """``accept`` never waits: beyond HEARD_MAX facts it forgets them, and reads them from the store instead."""

    store: Store
    clock: Clock
    settle_every_s: float = SETTLE_EVERY_S
    seal_every: int = SEAL_EVERY
    projector: BadgeProjector | None = None
    running_totals: RunningTotals = field(default_factory=RunningTotals)
    heartbeat: Heartbeat = field(init=False)
    _heard: deque[Fact] = field(default_factory=lambda: deque(maxlen=HEARD_MAX))
    _awake: asyncio.Event = field(default_factory=asyncio.Event)
    _begin_again_us: int | None = None
    _asked: int = 0
    _answered: int = 0

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    def accept(self, fact: Fact) -> None:
        """A fact that is durable."""
        if checked_event(fact) is None and fact.printer != SITE:
            return
        if len(self._heard) == HEARD_MAX:
            self.begin_again(min(_instant_us(one) for one in self._heard))
            self._heard.clear()
        self._heard.append(fact)
        self._call()

    def begin_again(self, before_us: int) -> None:
        """What was found from that instant on is to be found again: a person decided, or a fact came late."""
        known_us = before_us if self._begin_again_us is None else self._begin_again_us
        self._begin_again_us = min(known_us, before_us)
        self._asked += 1
        self._call()

    def _call(self) -> None:
        self._awake.set()
        self.heartbeat.called()

    async def run(self) -> None:
        await self._open(FOREVER_US if self._begin_again_us is None else self._begin_again_us)
        while True:
            self.heartbeat.does("stores what it found", STORE_LONGEST_S)
            await self._advance(self.clock.now_us() - LAG_US)
            self.heartbeat.succeeded()
            if not self._projector().waits:
                await self._rest()
            self.heartbeat.does("gathers what comes", self.settle_every_s + STORE_LONGEST_S)
            await self.clock.sleep(self.settle_every_s)
            self._awake.clear()
            await self._take_heard()

    async def _rest(self) -> None:
        """Until somebody calls. It reports now and then, so that idle differs from dead."""
        while not self._awake.is_set():
            self.heartbeat.rests(WAKE_EVERY_S)
            try:
                async with asyncio.timeout(WAKE_EVERY_S):
                    await self._awake.wait()
            except TimeoutError:
                self.heartbeat.idled()

    async def renew(self, before_us: int) -> None:
        """Without running: what was found from that instant on is found again, and stored."""
        await self._open(before_us)
        await self._advance()

    async def finish(self) -> None:
        """After ``run`` was cancelled, wherever it was: leave the findings as the journal has them."""
        if self.projector is not None and (self._heard or self._begin_again_us is not None or self.projector.waits):
            await self._take_heard()
            await self._advance()

    async def _take_heard(self) -> None:
        heard = list(self._heard)
        self._heard.clear()
        projector = self._projector()
        for fact in heard:
            event = checked_event(fact)
            if event is None:
                projector.rules.add(fact)
                projector.renew()
            elif projector.is_late(event):
                self.begin_again(event.origin.at_us)
            else:
                projector.add(event)
        if self._begin_again_us is not None:
            await self._open(self._begin_again_us)

    async def _open(self, before_us: int) -> None:
        """The projector as of the latest stored resume point before an instant, with the facts since."""
        self._answered = self._asked
        self.heartbeat.does("reads its rows from the journal", OPEN_LONGEST_S)
        rules = SiteRules.of([stored.fact for stored in await self.store.standing_facts(SITE)])
        resume_point = await self._resume_point_before(before_us)
        projector = BadgeProjector(rules, resume_point, seal_every=self.seal_every)
        async for fact in self.store.badge_facts(projector.needed_from_us()):
            event = checked_event(fact)
            if event is not None:
                projector.add(event)
        self.running_totals = await self.store.running_totals(SITE, projector.anchor_us)
        self.projector = projector

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

    async def _advance(self, until_us: int | None = None) -> None:
        update = self._projector().advance(until_us)
        if update is not None:
            await self.store.replace(SITE, update.from_anchor_us, update.segments)
            self.running_totals.add(update)
        if self._answered == self._asked:
            # Only now: what could not be stored must be restarted after all.
            self._begin_again_us = None

    def _projector(self) -> BadgeProjector:
        if self.projector is None:
            raise RuntimeError("the rows of badges are not read yet")
        return self.projector


def _instant_us(fact: Fact) -> int:
    event = checked_event(fact)
    return FOREVER_US if event is None else event.origin.at_us
