"""A centre takes from a broker what its sites published there: each batch is joined as one that came over HTTP, then
answered, and only then acknowledged. Whoever is killed in between gets it again, and it adds nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from pagereeve.app.sites.answers import members_of, refused_members
from pagereeve.app.sites.joining import SiteFacts
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.alerts.delivery import Pause
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.broker import BrokerTrouble, CentreBroker, TakenBatch
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.journal import HINDRANCES, JournalUnavailable

PAUSE_LONGEST_S: Final = 60.0
LATER_S: Final = 2.0
"""A batch that can't be stored now, or while another of its site is under way, is asked for again after so long."""
BROKER_WITHIN_S: Final = 300.0
"""A few exchanges, each with a time-out of its own."""

Report = Callable[[str, str], None]
"""(site, why): when nothing is taken any more; "" when it is again."""


@dataclass(slots=True)
class Collector:
    """Of one site, one batch at a time. ``pressed``: is the daemon overloaded? Then it waits."""

    broker: CentreBroker
    facts: SiteFacts
    clock: Clock
    entropy: Entropy
    pressed: Callable[[], bool] = lambda: False
    report: Report = lambda _site, _why: None
    heartbeat: Heartbeat = field(init=False)
    _pause: Pause = field(default_factory=Pause)

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    @property
    def site(self) -> str:
        return self.broker.site

    async def run(self) -> None:
        self.facts.expect(self.site)
        while True:
            wait_s = await self.turn()
            self.heartbeat.succeeded()
            if wait_s:
                self.heartbeat.rests(wait_s)
                await self.clock.sleep(wait_s)

    async def turn(self) -> float:
        """Takes one batch, if there is one; returns how long to wait before the next."""
        if self.pressed():
            return LATER_S
        self.heartbeat.does("waits for the broker", BROKER_WITHIN_S + STORE_LONGEST_S)
        try:
            taken = await self.broker.take()
            wait_s = 0.0 if taken is None else await self._settled(taken)
        except BrokerTrouble as error:
            return self._hindered(f"nothing is taken from its broker ({error.trouble}): {error.problem}")
        except JournalUnavailable as error:
            return self._hindered(HINDRANCES[error.hindrance])
        if self.facts.hinder(self.site, ""):
            self.report(self.site, "")
        self._pause = Pause()
        return wait_s

    async def _settled(self, taken: TakenBatch) -> float:
        """Raises BrokerTrouble, JournalUnavailable."""
        if self.site in self.facts.under_way:
            await taken.later(LATER_S)
            return LATER_S
        self.facts.under_way.add(self.site)
        try:
            await self._joined(taken)
        except JournalUnavailable:
            await taken.later(LATER_S)
            raise
        finally:
            self.facts.under_way.discard(self.site)
        return 0.0

    async def _joined(self, taken: TakenBatch) -> None:
        """Raises BrokerTrouble, JournalUnavailable."""
        try:
            self._require_site(taken)
            answer, _ = await self.facts.join(taken.body, self.site)
        except BatchRefused as refused:
            await self.broker.answer(taken.id, refused_members(refused))
            # What comes behind a gap is whole, but it never fits: the site sends it anew.
            await (taken.done() if refused.cause == "gap" else taken.refuse())
            return
        await self.broker.answer(taken.id, members_of(answer))
        await taken.done()

    def _require_site(self, taken: TakenBatch) -> None:
        if not taken.is_of_site:
            problem = f"the stream of {self.site} gave what was published under another subject"
            raise self.facts.refused(self.site, BatchRefused("wrong-origin", problem))

    def _hindered(self, why: str) -> float:
        if self.facts.hinder(self.site, why):
            self.report(self.site, why)
        now_us = self.clock.monotonic_us()
        self._pause.longer(now_us, self.entropy.jitter(), PAUSE_LONGEST_S)
        return (self._pause.until_us - now_us) / SECOND_US
