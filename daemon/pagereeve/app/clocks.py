"""The machine's own clock and randomness, for the ports of those names."""

from __future__ import annotations

import asyncio
import os
import random
import secrets
import struct
import time

REQUEST_ID_MAX = 2**31 - 1
DRAWN_AT_ONCE = 256


class SystemClock:
    """ports.clock.Clock over the operating system."""

    def now_us(self) -> int:
        return time.time_ns() // 1000

    def monotonic_us(self) -> int:
        return time.monotonic_ns() // 1000

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class SystemEntropy:
    """ports.entropy.Entropy: request ids from the operating system, jitter from a generator seeded by it.

    Ids are drawn many at once and used once each; a process that forks has none of its parent's.
    """

    def __init__(self) -> None:
        self._spread = random.Random(secrets.randbits(128))
        self._ids: list[int] = []
        os.register_at_fork(after_in_child=self._ids.clear)

    def request_id(self) -> int:
        while not self._ids:
            drawn = struct.unpack(f"={DRAWN_AT_ONCE}I", os.urandom(4 * DRAWN_AT_ONCE))
            # Zero is no id; each other one is as likely as the next.
            self._ids.extend(number for one in drawn if (number := one & REQUEST_ID_MAX))
        return self._ids.pop()

    def jitter(self) -> float:
        return self._spread.random()
