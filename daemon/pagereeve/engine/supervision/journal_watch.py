"""The journal is looked at twice a second, also while nobody stores anything: can it store, and if not, why not?"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field

from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import DamagedRow

LOOK_EVERY_S = 0.5


@dataclass(slots=True)
class JournalWatch:
    """``look`` says what is wrong, empty while nothing is; ``on_change`` receives it whenever it changes.

    ``damaged`` are the rows found damaged so far, in order; ``on_damaged`` receives each once.
    """

    clock: Clock
    look: Callable[[], Awaitable[str]]
    on_change: Callable[[str], None]
    damaged: Callable[[], Sequence[DamagedRow]]
    on_damaged: Callable[[DamagedRow], None]
    heartbeat: Heartbeat = field(init=False)
    _why: str = ""
    _told: int = 0

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    async def run(self) -> None:
        while True:
            self.heartbeat.does("looks at the journal", STORE_LONGEST_S)
            why = await self.look()
            if why != self._why:
                self._why = why
                self.on_change(why)
            for row in self.damaged()[self._told :]:
                self._told += 1
                self.on_damaged(row)
            self.heartbeat.succeeded()
            self.heartbeat.rests(LOOK_EVERY_S)
            await self.clock.sleep(LOOK_EVERY_S)
