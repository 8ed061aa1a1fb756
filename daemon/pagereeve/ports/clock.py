"""Time comes through here, so that a test or a simulation can hold it."""

from __future__ import annotations

from typing import Protocol


class Clock(Protocol):
    def now_us(self) -> int:
        """Wall time in microseconds since 1970, for facts."""
        ...

    def monotonic_us(self) -> int:
        """Time that never steps, for durations and deadlines."""
        ...

    async def sleep(self, seconds: float) -> None: ...
