"""Whose turn it is: one user at a time for each key, and a deadline for waiting."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Hashable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from pagereeve.ports.clock import Clock


@dataclass(slots=True)
class _Place:
    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    users: int = 0


class Turns:
    """Locks by key, in order of arrival; a key that nobody uses or waits for takes no memory."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._places: dict[Hashable, _Place] = {}

    def __len__(self) -> int:
        return len(self._places)

    @asynccontextmanager
    async def turn(self, key: Hashable, deadline_us: int) -> AsyncIterator[None]:
        """Hold the key. Raises TimeoutError where others hold it until ``deadline_us`` (monotonic)."""
        place = self._places.get(key)
        if place is None:
            place = self._places[key] = _Place()
        place.users += 1
        try:
            if place.lock.locked():
                async with asyncio.timeout((deadline_us - self._clock.monotonic_us()) / 1_000_000):
                    await place.lock.acquire()
            else:
                await place.lock.acquire()
            try:
                yield
            finally:
                place.lock.release()
        finally:
            place.users -= 1
            if not place.users:
                del self._places[key]
