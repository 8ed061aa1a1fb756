"""Whose turn it is: one holder at a time for each key, and a deadline for waiting."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Hashable

from pagereeve.ports.clock import Clock


class Turns:
    """Keys held one at a time, in order of arrival. A key that nobody holds takes no memory.

    ``enter`` and ``leave`` come in pairs. This is asyncio.Lock by key, at a third of its cost where nobody waits.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._waiting: dict[Hashable, deque[asyncio.Future[None]] | None] = {}

    def __len__(self) -> int:
        return len(self._waiting)

    def enter_now(self, key: Hashable) -> bool:
        """Hold the key if nobody else does."""
        if key in self._waiting:
            return False
        self._waiting[key] = None
        return True

    async def enter(self, key: Hashable, deadline_us: int) -> None:
        """Hold the key. Raises TimeoutError where others hold it until ``deadline_us`` (monotonic)."""
        if self.enter_now(key):
            return
        waiting = self._waiting[key]
        if waiting is None:
            waiting = self._waiting[key] = deque()
        turn = asyncio.get_running_loop().create_future()
        waiting.append(turn)
        try:
            async with asyncio.timeout((deadline_us - self._clock.monotonic_us()) / 1_000_000):
                await turn
        except BaseException:
            if turn.done() and not turn.cancelled():
                # The turn came in the same moment in which we stopped waiting: it goes to the next.
                self.leave(key)
            elif turn in waiting:
                waiting.remove(turn)
            raise

    def leave(self, key: Hashable) -> None:
        """Hand the key to whoever waits longest."""
        waiting = self._waiting[key]
        while waiting:
            turn = waiting.popleft()
            if not turn.done():
                turn.set_result(None)
                return
        del self._waiting[key]
