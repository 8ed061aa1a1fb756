"""What nobody would send again waits in the spool while the journal is away, and goes into it when that is back."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.spool import EventSpool, NotSpooled, Spoolable, SpooledEvent

# A journal that neither stores nor says that it can't is waited for so long. A line that it stored after all is known
# by its identity when it comes again.
STORE_S: Final = 5.0
LOOK_EVERY_S: Final = 0.5
AT_ONCE: Final = 256


class Unusable(PagereeveError):
    """An event of the spool that the journal will never hold."""


@dataclass(slots=True)
class Spooling:
    """``keep`` stores an event and hands it on. ``on_unusable`` is told of what can't be replayed."""

    spool: EventSpool
    clock: Clock
    keep: Callable[[Spoolable], Awaitable[object]]
    is_away: Callable[[], bool]
    on_unusable: Callable[[str, BaseException], None]
    heartbeat: Heartbeat = field(init=False)

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    async def stored(self, event: Spoolable, store: Callable[[], Awaitable[object]], ask: Callable[[], None]) -> bool:
        """Whether it is in the journal; False: in the spool, behind what waits there already. Either is durable.

        ``store`` stores it; ``ask`` has the meters read that are about to move, where ``store`` is not called. Raises
        JournalUnavailable where the spool takes nothing either, and what ``store`` raises.
        """
        if self.spool.waiting_events:
            try:
                await self.spool.keep_event(event)
            except NotSpooled:
                pass  # it may be that the journal is back already, and takes it itself
            else:
                ask()
                return False
        try:
            async with asyncio.timeout(STORE_S):
                await store()
        except (JournalUnavailable, TimeoutError) as error:
            try:
                await self.spool.keep_event(event)
            except NotSpooled as full:
                raise JournalUnavailable(f"{error or 'the journal gives no answer'}; {full}", "away") from error
            return False
        return True

    async def run(self) -> None:
        """Forever. What could not be dropped from the spool after it was stored comes again, and is a duplicate."""
        while True:
            if self.spool.waiting_events and not self.is_away():
                self.heartbeat.does("stores what waited in the spool", STORE_LONGEST_S)
                done = await self._replay_some()
                self.heartbeat.succeeded()
                if done:
                    continue
            self.heartbeat.rests(LOOK_EVERY_S)
            await self.clock.sleep(LOOK_EVERY_S)
            self.heartbeat.succeeded()

    async def _replay_some(self) -> bool:
        """False where the journal is away again."""
        waiting = await self.spool.events(AT_ONCE)
        # All at once share a commit, and come in line in their order.
        ends = await asyncio.gather(*(self._replay(one) for one in waiting), return_exceptions=True)
        through = unusable = 0
        for one, end in zip(waiting, ends, strict=True):
            if isinstance(end, JournalUnavailable):
                break
            if isinstance(end, PagereeveError):
                unusable += 1
                self.on_unusable(f"the spool's event {one.number}", end)
            elif end is not None:
                raise end
            through = one.number
        if through:
            await self.spool.drop_events(through, unusable)
        return bool(waiting) and through == waiting[-1].number

    async def _replay(self, one: SpooledEvent) -> None:
        if one.event is None:
            raise Unusable("its row can't be read any more")
        await self.keep(one.event)
