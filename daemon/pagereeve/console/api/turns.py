"""How many questions are answered at once, and how long each may take: what is beyond is told to come again."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

from pagereeve.console.api.problems import ApiProblem

AT_ONCE: Final = 4
"""As many as there are connections that read (store/sqlite/connections.py)."""
WAITING_MAX: Final = 64
QUESTION_S: Final = 30.0


class Turns:
    def __init__(self, at_once: int = AT_ONCE, waiting_max: int = WAITING_MAX, question_s: float = QUESTION_S) -> None:
        self._free = asyncio.Semaphore(at_once)
        self._waiting_max = waiting_max
        self._waiting = 0
        self._question_s = question_s

    @asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        """Raises ApiProblem where too many wait, or the question takes longer than it may, its wait counted."""
        if self._waiting >= self._waiting_max:
            raise ApiProblem("over-capacity", "question", f"{self._waiting} others wait; ask again later")
        try:
            async with asyncio.timeout(self._question_s):
                async with self._queued():
                    yield
        except TimeoutError:
            problem = f"took longer than {self._question_s:g} s; ask for a shorter period, or fewer at once"
            raise ApiProblem("too-slow", "question", problem) from None

    @asynccontextmanager
    async def _queued(self) -> AsyncIterator[None]:
        self._waiting += 1
        try:
            await self._free.acquire()
        finally:
            self._waiting -= 1
        try:
            yield
        finally:
            self._free.release()
