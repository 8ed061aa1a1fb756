"""One answer for all who ask the same at once: wall screens that an event wakes together.

Nobody is given an answer that was begun before they asked: what they were woken for is in it. So a round waits until
SPACED_S after the one before it began, and all who come meanwhile share it: a screen after an event waits that long at
most, and however many there are, one is made in that time.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Hashable
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar

from pagereeve.console.api.problems import ApiProblem

SPACED_S: Final = 0.5
WAIT_S: Final = 30.0
"""As long as a question may take, its wait counted."""
WAITING_MAX: Final = 128
KEYS_MAX: Final = 32

Answer = TypeVar("Answer")


@dataclass(slots=True)
class _Round:
    task: asyncio.Task[Any]
    waiting: int = 0


@dataclass(slots=True)
class _Line:
    """Rounds of one key, one after another: ``began_s`` of the latest, ``open`` the one that can still be joined."""

    began_s: float = float("-inf")
    open: _Round | None = None
    turn: asyncio.Lock = field(default_factory=asyncio.Lock)
    waiting: int = 0


class Shared:
    """Answers by key. A key holds all that an answer depends on: whoever has other rights has another one."""

    def __init__(self, spaced_s: float = SPACED_S, wait_s: float = WAIT_S, waiting_max: int = WAITING_MAX) -> None:
        self._spaced_s = spaced_s
        self._wait_s = wait_s
        self._waiting_max = waiting_max
        self._waiting = 0
        self._lines: dict[Hashable, _Line] = {}

    async def answer(self, key: Hashable, make: Callable[[], Awaitable[Answer]]) -> Answer:
        """What ``make`` of one of those who share it gives, or raises. Raises ApiProblem where too many wait, or it
        takes too long. When all went away it is ended.
        """
        self._forget()
        if self._waiting >= self._waiting_max or (key not in self._lines and len(self._lines) >= KEYS_MAX):
            raise ApiProblem("over-capacity", "question", f"{self._waiting} others wait; ask again later")
        line = self._lines.setdefault(key, _Line())
        if line.open is None:
            line.open = self._round(line, make)
        one = line.open
        self._waiting, line.waiting, one.waiting = self._waiting + 1, line.waiting + 1, one.waiting + 1
        try:
            async with asyncio.timeout(self._wait_s):
                answer: Answer = await asyncio.shield(one.task)
                return answer
        except TimeoutError:
            problem = f"took longer than {self._wait_s:g} s; ask again later"
            raise ApiProblem("too-slow", "question", problem) from None
        finally:
            self._waiting, line.waiting, one.waiting = self._waiting - 1, line.waiting - 1, one.waiting - 1
            await self._left(line, one)

    def _round(self, line: _Line, make: Callable[[], Awaitable[Any]]) -> _Round:
        async def made() -> Any:
            async with line.turn:
                loop = asyncio.get_running_loop()
                await asyncio.sleep(line.began_s + self._spaced_s - loop.time())
                line.open, line.began_s = None, loop.time()
                return await make()

        return _Round(asyncio.create_task(made(), name="an answer is shared"))

    async def _left(self, line: _Line, one: _Round) -> None:
        if one.waiting or one.task.done():
            return
        one.task.cancel()
        if line.open is one:
            line.open = None
        await asyncio.wait({one.task})

    def _forget(self) -> None:
        """Lines in which nobody stands any more, and whose next round could begin at once."""
        now_s = asyncio.get_running_loop().time()
        over = [key for key, line in self._lines.items() if not line.waiting and line.began_s + self._spaced_s <= now_s]
        for key in over:
            del self._lines[key]
