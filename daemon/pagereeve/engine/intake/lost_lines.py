"""Badge lines that were lost: they found no room while the journal was away. Once it is back, a fact tells how many."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.facts.facts import JOURNAL_SOURCE, Fact, LossAccepted, Origin
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import JournalUnavailable

LOOK_EVERY_S: Final = 1.0


@dataclass(slots=True)
class LostLines:
    """``lost`` counts them since the process began. What is lost before a stop, while the journal is still away, only
    the log tells.
    """

    clock: Clock
    append: Callable[[Fact], Awaitable[object]]
    accept: Callable[[Fact], None]
    lost: Callable[[], int]
    is_away: Callable[[], bool]
    heartbeat: Heartbeat = field(init=False)
    _told: int = 0

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    async def run(self) -> None:
        """Forever."""
        while True:
            self.heartbeat.rests(LOOK_EVERY_S)
            await self.clock.sleep(LOOK_EVERY_S)
            lost = self.lost()
            if lost != self._told and not self.is_away():
                self.heartbeat.does("tells of lines that were lost", STORE_LONGEST_S)
                await self._tell(lost)
            self.heartbeat.succeeded()

    async def _tell(self, lost: int) -> None:
        now_us = self.clock.now_us()
        origin = Origin(JOURNAL_SOURCE, f"lines-{now_us}", now_us, now_us)
        fact = LossAccepted(origin, "lines-lost", lost - self._told, 0)
        try:
            await self.append(fact)
        except JournalUnavailable:
            return  # it is away again: told once it is back
        self._told = lost
        self.accept(fact)
