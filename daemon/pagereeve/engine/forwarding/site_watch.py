"""Tells in the journal of sites that forward: of which, for long, not all is here; and once a day, of which all is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import day_begins_us, local
from pagereeve.domain.facts.facts import Fact, SiteChecked
from pagereeve.domain.forwarding.standing import SiteSeen, checked, standing_of
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock

LOOK_EVERY_S: Final = 30.0


class SiteChecks(Protocol):
    async def site_checks(self) -> Mapping[str, SiteChecked]:
        """As ports.origins.OriginReads."""
        ...

    async def append(self, fact: Fact) -> object: ...


@dataclass(slots=True)
class SiteWatch:
    """``seen``: what is known of each site. ``accept`` hears of each fact, once it is durable. What was told stands in
    the journal alone: a restart goes on, and of several workers none says again what another said.
    """

    seen: Callable[[], Mapping[str, SiteSeen]]
    store: SiteChecks
    clock: Clock
    zone: ZoneInfo
    accept: Callable[[Fact], None] = lambda _: None
    heartbeat: Heartbeat = field(init=False)

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    async def run(self) -> None:
        """Until cancelled. Raises JournalUnavailable: what is known is told after the restart."""
        while True:
            self.heartbeat.does("looks how far sites are", STORE_LONGEST_S)
            await self.look()
            self.heartbeat.succeeded()
            self.heartbeat.rests(LOOK_EVERY_S)
            await self.clock.sleep(LOOK_EVERY_S)

    async def look(self) -> None:
        seen = self.seen()
        if not seen:
            return
        told, now_us = await self.store.site_checks(), self.clock.now_us()
        day_us = day_begins_us(local(now_us, self.zone).date(), self.zone)
        for site, one in sorted(seen.items()):
            before = told.get(site)
            state = standing_of(one, before, now_us, day_us)
            if state is not None:
                fact = checked(site, state, one, before, now_us)
                await self.store.append(fact)
                self.accept(fact)
