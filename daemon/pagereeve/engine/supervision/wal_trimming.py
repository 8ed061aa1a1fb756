"""The journal's write-ahead file is cut to nothing now and then (abeggled/openbridgeserver#908)."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock

CHECKPOINT_EVERY_S = 60.0


@dataclass(slots=True)
class WalTrimmer:
    """``checkpoint`` returns False while a reader blocks it: it is retried the next time."""

    clock: Clock
    checkpoint: Callable[[], Awaitable[bool]]
    heartbeat: Heartbeat = field(init=False)

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    async def run(self) -> None:
        while True:
            self.heartbeat.rests(CHECKPOINT_EVERY_S)
            await self.clock.sleep(CHECKPOINT_EVERY_S)
            self.heartbeat.does("cuts the write-ahead file", STORE_LONGEST_S)
            await self.checkpoint()
            self.heartbeat.succeeded()
