"""One timer for all deadlines: a heap whose first entry the loop is asked to wake us for."""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import Callable
from typing import Generic, Protocol, TypeVar

from pagereeve.ports.clock import Clock

COMPACT_FROM = 256
TIMER_STEP_S = 0.001


class Due(Protocol):
    """``due_us`` is monotonic; 0 means that nothing is due any more."""

    due_us: int


T = TypeVar("T", bound=Due)


class Deadlines(Generic[T]):
    """Calls ``on_due(item)`` once an item's ``due_us`` has come, at most about 1 ms late and never early.

    An entry is void as soon as its item's ``due_us`` is another; void entries never outnumber the live ones by much.
    """

    def __init__(self, clock: Clock, on_due: Callable[[T], None]) -> None:
        self._clock = clock
        self._on_due = on_due
        self._heap: list[tuple[int, int, T]] = []
        self._order = 0
        self._void = 0
        self._timer: asyncio.TimerHandle | None = None
        self._timer_us = 0

    def __len__(self) -> int:
        return len(self._heap)

    def put(self, item: T, due_us: int) -> None:
        """Set the item's deadline, in the place of an earlier one if it had one."""
        if item.due_us:
            self._void += 1
        item.due_us = due_us
        self._order += 1
        heapq.heappush(self._heap, (due_us, self._order, item))
        if self._timer is None or due_us < self._timer_us:
            self._arm()

    def drop(self, item: T) -> None:
        """Nothing is due for the item any more."""
        if not item.due_us:
            return
        item.due_us = 0
        self._void += 1
        if self._void > COMPACT_FROM and self._void * 2 > len(self._heap):
            self._compact()

    def close(self) -> None:
        self._heap.clear()
        self._void = 0
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _compact(self) -> None:
        self._heap = [entry for entry in self._heap if entry[2].due_us == entry[0]]
        heapq.heapify(self._heap)
        self._void = 0

    def _arm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer_us = self._heap[0][0]
        delay_s = max(TIMER_STEP_S, (self._timer_us - self._clock.monotonic_us()) / 1_000_000)
        self._timer = asyncio.get_running_loop().call_later(delay_s, self._fire)

    def _fire(self) -> None:
        self._timer = None
        now_us = self._clock.monotonic_us()
        while self._heap:
            due_us, _, item = self._heap[0]
            if item.due_us != due_us:
                heapq.heappop(self._heap)
                self._void = max(0, self._void - 1)
            elif due_us <= now_us:
                heapq.heappop(self._heap)
                item.due_us = 0
                self._on_due(item)
            else:
                break
        if self._heap and self._timer is None:
            self._arm()
