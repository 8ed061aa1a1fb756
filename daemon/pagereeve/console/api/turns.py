"""How many questions are answered at once, and how long each may take: what is beyond is told to come again."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

from pagereeve.console.api.problems import ApiProblem

AT_ONCE: Final = 4
"""With the one of LOOKS_AT_ONCE as many as there are connections that read (store/sqlite/connections.py)."""
LOOKS_AT_ONCE: Final = 1
LOOK_S: Final = 5.0
WAITING_MAX: Final = 64
QUESTION_S: Final = 30.0
LONG_AT_ONCE: Final = 2
"""Of those, so that there is always room for short questions."""
LONG_S: Final = 600.0


class Turns:
    def __init__(
        self,
        at_once: int = AT_ONCE,
        waiting_max: int = WAITING_MAX,
        question_s: float = QUESTION_S,
        long_s: float = LONG_S,
    ) -> None:
        self._free = asyncio.Semaphore(at_once)
        self._free_look = asyncio.Semaphore(LOOKS_AT_ONCE)
        self._looks_waiting = 0
        self._waiting_max = waiting_max
        self._waiting = 0
        self._question_s = question_s
        self._long_s = long_s
        self._long = 0

    @asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        """Raises ApiProblem where too many wait, or the question takes longer than it may, its wait counted."""
        async with self._within(self._question_s):
            yield

    @asynccontextmanager
    async def long_turn(self) -> AsyncIterator[None]:
        """The same for one that takes long: there are LONG_AT_ONCE of them, and others are told to come again."""
        self.require_long()
        self._long += 1
        try:
            async with self._within(self._long_s):
                yield
        finally:
            self._long -= 1

    def require_long(self) -> None:
        """Raises ApiProblem where LONG_AT_ONCE are under way."""
        if self._long >= LONG_AT_ONCE:
            raise ApiProblem("over-capacity", "question", f"{self._long} that take long are under way; ask again later")

    @asynccontextmanager
    async def look(self) -> AsyncIterator[None]:
        """A short turn beside those of questions. Raises ApiProblem where too many questions or looks wait already."""
        self._require_room(max(self._waiting, self._looks_waiting))
        self._looks_waiting += 1
        try:
            async with asyncio.timeout(LOOK_S), self._free_look:
                yield
        except TimeoutError:
            raise ApiProblem("too-slow", "question", f"took longer than {LOOK_S:g} s; ask again later") from None
        finally:
            self._looks_waiting -= 1

    def _require_room(self, waiting: int) -> None:
        if waiting >= self._waiting_max:
            raise ApiProblem("over-capacity", "question", f"{waiting} others wait; ask again later")

    @asynccontextmanager
    async def _within(self, span_s: float) -> AsyncIterator[None]:
        self._require_room(self._waiting)
        try:
            async with asyncio.timeout(span_s), self._queued():
                yield
        except TimeoutError:
            problem = f"took longer than {span_s:g} s; ask for a shorter period, or fewer at once"
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
