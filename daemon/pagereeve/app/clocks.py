"""The machine's own clock and randomness, for the ports of those names."""

from __future__ import annotations

import asyncio
import random
import secrets
import time

REQUEST_ID_MAX = 2**31 - 1


class SystemClock:
    """ports.clock.Clock over the operating system."""

    def now_us(self) -> int:
        return time.time_ns() // 1000

    def monotonic_us(self) -> int:
        return time.monotonic_ns() // 1000

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class SystemEntropy:
    """ports.entropy.Entropy: request ids from the operating system, jitter from a generator seeded by it."""

    def __init__(self) -> None:
        self._spread = random.Random(secrets.randbits(128))

    def request_id(self) -> int:
        return secrets.randbelow(REQUEST_ID_MAX) + 1

    def jitter(self) -> float:
        return self._spread.random()
