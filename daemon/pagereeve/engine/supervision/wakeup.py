"""How a loop rests until somebody calls it, and shows while it rests that it is alive."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.heartbeat import WAKE_EVERY_S, Heartbeat
from pagereeve.ports.clock import Clock


@dataclass(slots=True)
class Wakeup:
    """A call stays until ``clear``: whoever works meanwhile does not miss it. One loop rests by it, and no other."""

    clock: Clock
    heartbeat: Heartbeat
    _is_called: bool = False
    # No event of asyncio: thousands of printers rest, and each of theirs would take a kilobyte.
    _resting: asyncio.Future[None] | None = None

    def call(self) -> None:
        """There is work, from somebody else: the heartbeat expects the loop to come soon."""
        self.again()
        self.heartbeat.called()

    def again(self) -> None:
        """The loop left work for its own next turn."""
        self._is_called = True
        if self._resting is not None:
            _end(self._resting)

    def clear(self) -> None:
        self._is_called = False

    async def rest(self, longest_s: float | None = None) -> bool:
        """Until somebody calls, or has called before; False after ``longest_s``.

        It wakes every WAKE_EVERY_S in between, so that a loop at rest is told from a dead one.
        """
        loop = asyncio.get_running_loop()
        ends_us = None if longest_s is None else self.clock.monotonic_us() + int(longest_s * SECOND_US)
        while not self._is_called:
            left_s = WAKE_EVERY_S if ends_us is None else seconds_until(ends_us, self.clock)
            self.heartbeat.rests(min(left_s, WAKE_EVERY_S))
            self._resting = loop.create_future()
            timer = loop.call_later(min(left_s, WAKE_EVERY_S), _end, self._resting)
            try:
                await self._resting
            finally:
                timer.cancel()
                self._resting = None
            if not self._is_called:
                self.heartbeat.idled()
                if ends_us is not None and left_s <= WAKE_EVERY_S:
                    return False
        return True


def _end(resting: asyncio.Future[None]) -> None:
    if not resting.done():
        resting.set_result(None)


def seconds_until(at_us: int, clock: Clock) -> float:
    """Seconds until a monotonic instant; 0 once it is past."""
    return max(0.0, (at_us - clock.monotonic_us()) / SECOND_US)
