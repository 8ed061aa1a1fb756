"""Time that passes only when everybody sleeps: an event loop whose clock jumps to the next timer."""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Coroutine
from dataclasses import dataclass, field
from random import Random
from typing import Any, TypeVar

from pagereeve.domain.values.instants import SECOND_US

BEGIN_US = 1_760_000_000 * SECOND_US
Result = TypeVar("Result")


class _JumpingSelector(selectors.DefaultSelector):
    """Nobody waits for sockets here: an empty select passes its whole time-out at once."""

    now_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if not ready:
            if timeout is None:
                raise RuntimeError("everybody waits, and nothing will ever happen")
            self.now_s += max(timeout, 0)
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.now_s


def passing(story: Coroutine[Any, Any, Result]) -> Result:
    """Run a story to its end in virtual time."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(story)


@dataclass
class VirtualClock:
    """``step_us`` sets the wall clock against the monotonic one."""

    step_us: int = 0

    def now_us(self) -> int:
        return BEGIN_US + self.monotonic_us() + self.step_us

    def monotonic_us(self) -> int:
        return round(asyncio.get_running_loop().time() * SECOND_US)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


@dataclass
class SeededEntropy:
    random: Random = field(default_factory=lambda: Random(7))

    def request_id(self) -> int:
        return self.random.randrange(1, 2**31)

    def jitter(self) -> float:
        return self.random.random()
