"""No task ends unseen: a failed one is told, counted and begun again; progress is dated."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from pagereeve.ports.clock import Clock

PAUSE_FIRST_S = 0.5
PAUSE_LONGEST_S = 30.0

OnTrouble = Callable[[str, BaseException], None]


@dataclass(slots=True)
class Supervisor:
    """``on_trouble(task, error)`` hears of each failure; it must not raise. ``failing`` are tasks in their pause."""

    clock: Clock
    on_trouble: OnTrouble
    restarts: Counter[str] = field(default_factory=Counter)
    failing: set[str] = field(default_factory=set)
    tasks: set[asyncio.Task[None]] = field(default_factory=set)

    def start(self, kind: str, name: str, work: Callable[[], Awaitable[None]]) -> asyncio.Task[None]:
        """Run ``work`` until it returns; begin it again after a failure, with growing pauses. Counted by ``kind``."""
        task = asyncio.create_task(self._kept(kind, name, work), name=name)
        self.tasks.add(task)
        task.add_done_callback(self.tasks.discard)
        return task

    async def _kept(self, kind: str, name: str, work: Callable[[], Awaitable[None]]) -> None:
        pause_s = PAUSE_FIRST_S
        while True:
            begun_us = self.clock.monotonic_us()
            try:
                await work()
            except Exception as error:  # noqa: BLE001 - whatever it is, it is told, counted, and the work begun again
                self.on_trouble(name, error)
            else:
                return
            self.restarts[kind] += 1
            self.failing.add(name)
            if self.clock.monotonic_us() - begun_us > PAUSE_LONGEST_S * 1_000_000:
                pause_s = PAUSE_FIRST_S
            await self.clock.sleep(pause_s)
            pause_s = min(pause_s * 2, PAUSE_LONGEST_S)
            self.failing.discard(name)

    async def stop(self) -> None:
        """Cancel everything and wait for it."""
        tasks = list(self.tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
