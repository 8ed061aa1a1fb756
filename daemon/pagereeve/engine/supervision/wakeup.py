"""How a loop rests until somebody calls it, and shows while it rests that it is alive."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.heartbeat import WAKE_EVERY_S, Heartbeat
from pagereeve.ports.clock import Clock


@dataclass(slots=True)
class Wakeup:
    """A call stays until ``clear``: whoever works meanwhile does not miss it."""

    clock: Clock
    heartbeat: Heartbeat
    _called: asyncio.Event = field(default_factory=asyncio.Event)

    def call(self) -> None:
        """There is work, from somebody else: the heartbeat expects the loop to come soon."""
        self._called.set()
        self.heartbeat.called()

    def again(self) -> None:
        """The loop left work for its own next turn."""
        self._called.set()

    def clear(self) -> None:
        self._called.clear()

    async def rest(self, longest_s: float | None = None) -> bool:
        """Until somebody calls, or has called before; False after ``longest_s``.

        It wakes every WAKE_EVERY_S in between, so that a loop at rest is told from a dead one.
        """
        ends_us = None if longest_s is None else self.clock.monotonic_us() + int(longest_s * SECOND_US)
        while not self._called.is_set():
            left_s = WAKE_EVERY_S if ends_us is None else seconds_until(ends_us, self.clock)
            self.heartbeat.rests(min(left_s, WAKE_EVERY_S))
            try:
                async with asyncio.timeout(min(left_s, WAKE_EVERY_S)):
                    await self._called.wait()
            except TimeoutError:
                self.heartbeat.idled()
                if ends_us is not None and left_s <= WAKE_EVERY_S:
                    return False
        return True


def seconds_until(at_us: int, clock: Clock) -> float:
    """Seconds until a monotonic instant; 0 once it is past."""
    return max(0.0, (at_us - clock.monotonic_us()) / SECOND_US)
