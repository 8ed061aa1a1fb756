"""The day's own seconds: it stands still while the machine has no time for the demo, so that what is planted in an
order happens in that order, however slow all are that look.
"""

from __future__ import annotations

from typing import Final

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import Clock

TURN_US: Final = 50_000
# A loop that does its work is late by so much.
USUAL_US: Final = 20_000


class DayClock:
    """Implements ports.clock.Clock. Who wakes late shows that others were at work: simulator and daemon share the loop.

    ``longest_stand_us`` is how long the day stands still in all, at most; then it goes on by the clock.
    """

    def __init__(self, clock: Clock, longest_stand_us: int) -> None:
        self._clock = clock
        self._left_us = longest_stand_us
        self.stood_us = 0

    def now_us(self) -> int:
        return self._clock.now_us()

    def monotonic_us(self) -> int:
        return self._clock.monotonic_us() - self.stood_us

    async def sleep(self, seconds: float) -> None:
        until_us = self.monotonic_us() + int(seconds * SECOND_US)
        while (left_us := until_us - self.monotonic_us()) > 0:
            turn_us, began_us = min(left_us, TURN_US), self._clock.monotonic_us()
            await self._clock.sleep(turn_us / SECOND_US)
            self._stand(self._clock.monotonic_us() - began_us - turn_us - USUAL_US)

    def _stand(self, late_us: int) -> None:
        stood_us = min(max(0, late_us), self._left_us)
        self._left_us -= stood_us
        self.stood_us += stood_us
