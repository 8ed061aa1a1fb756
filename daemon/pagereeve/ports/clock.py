"""Time comes through here, so that a test or a simulation can hold it."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    def now_us(self) -> int:
        """Wall time in microseconds since 1970, for facts."""
        ...

    def monotonic_us(self) -> int:
        """Time that never steps, for durations and deadlines."""
        ...

    async def sleep(self, seconds: float) -> None: ...


class SteadyClock(Clock, Protocol):
    """The clock of the site: ``now_us`` is anchored once and never steps, whatever the machine's wall clock does."""

    def wall_us(self) -> int:
        """What the machine's wall clock shows."""
        ...

    def ahead_us(self) -> int | None:
        """How far the wall clock is ahead of ``now_us``; None where the look took too long to say."""
        ...

    def slew(self, by_us: int) -> None:
        """Make good so much, slowly: ``now_us`` neither jumps nor falls."""
        ...


def boot_time_us() -> int:
    """Time since the machine started, its sleep included: CLOCK_BOOTTIME (clock_gettime(2)), where there is one.

    All processes of a machine have it in common, whatever is done to the wall clock.
    """
    clock = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
    return time.clock_gettime_ns(clock) // 1000
