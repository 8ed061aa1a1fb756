"""Who may project: few in a turn of the event loop, in the order in which they came, and since when the next waits."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, field
from typing import Final

# So many projections in a turn of the event loop; notices and requests to meters come in between.
PROJECTED_AT_ONCE_MAX: Final = 2
# Behind so many it takes longer than a moment (each a millisecond or two): what is ready to be stored does not wait.
LONG_LINE: Final = 16


@dataclass(slots=True)
class ProjectingTurns:
    """``async with`` holds one of the turns. A cancelled waiter leaves nothing behind."""

    at_once_max: int = PROJECTED_AT_ONCE_MAX
    _turns: asyncio.Semaphore = field(init=False)
    _since_s: deque[float] = field(default_factory=deque)

    def __post_init__(self) -> None:
        self._turns = asyncio.Semaphore(self.at_once_max)

    def is_long(self) -> bool:
        """Who comes now has to wait longer than a moment."""
        return len(self._since_s) >= LONG_LINE

    def waited_s(self) -> float:
        """How long the first in line has waited; 0 where nobody does."""
        return asyncio.get_running_loop().time() - self._since_s[0] if self._since_s else 0.0

    async def __aenter__(self) -> None:
        if not self._turns.locked():
            await self._turns.acquire()
            return
        since_s = asyncio.get_running_loop().time()
        self._since_s.append(since_s)
        try:
            await self._turns.acquire()
        finally:
            self._since_s.remove(since_s)

    async def __aexit__(self, *_: object) -> None:
        self._turns.release()
