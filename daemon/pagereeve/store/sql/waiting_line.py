"""Requests in line for the writer, and which of them are the next group.

Somebody outside waits for an event to be stored; a watcher's turn may wait a moment. Where events come often, it waits
for the next of them, so that one commit serves both: a commit costs as much as several requests more in it. Where they
come in a crowd, an end notice waits as well: no job is held by it.
"""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass
from typing import Any, Final

from pagereeve.store.records.requests import StoreRequest

COMPANY_S: Final = 0.02
"""So long a request that may wait does so for one that may not."""
OFTEN_S: Final = 0.1
"""After so long without an event nobody waits for the next one."""
PATIENT_MAX: Final = 64
"""So many that may wait go with a group: an event that comes meanwhile waits for no more of them (10 ms)."""
CROWD_S: Final = 0.01
"""Where events that may not wait come so close upon one another, by their running mean, they are a crowd. Who sends one
after the other, each end behind its start, is held to no fewer than so many starts (two events in CROWD_S).
"""
MEAN_OF: Final = 8


@dataclass(frozen=True, slots=True)
class Waiting:
    """``since_us`` is monotonic: when it came in line."""

    request: StoreRequest[Any]
    answer: asyncio.Future[Any]
    since_us: int


class WaitingLine:
    """``group_max`` is the most that may not wait in one group. For one writer of the running loop."""

    def __init__(self, group_max: int) -> None:
        self._group_max = group_max
        self._urgent: deque[Waiting] = deque()
        self._patient: deque[Waiting] = deque()
        self._came = asyncio.Event()
        self._ready = asyncio.Event()
        self._closed = False
        self._last_urgent_s: float | None = None
        self._gap_s = OFTEN_S
        self._gathers = False

    def __len__(self) -> int:
        return len(self._urgent) + len(self._patient)

    @property
    def since_us(self) -> int | None:
        """When the oldest came in line; None where nobody is. Who waits for company holds nobody up, and is none."""
        lines = (self._urgent,) if self._gathers else (self._urgent, self._patient)
        return min((line[0].since_us for line in lines if line), default=None)

    def put(self, waiting: Waiting) -> None:
        patience = waiting.request.patience
        if patience == "always" or (patience == "in-a-crowd" and self._gap_s < CROWD_S):
            self._patient.append(waiting)
        else:
            self._urgent.append(waiting)
            self._note_urgent(asyncio.get_running_loop().time())
        if self._urgent or len(self._patient) >= PATIENT_MAX:
            self._ready.set()
        self._came.set()

    def _note_urgent(self, now_s: float) -> None:
        gap_s = OFTEN_S if self._last_urgent_s is None else min(now_s - self._last_urgent_s, OFTEN_S)
        self._gap_s += (gap_s - self._gap_s) / MEAN_OF
        self._last_urgent_s = now_s

    def close(self) -> None:
        """Who is in line is taken without delay, and then the line has ended."""
        self._closed = True
        self._ready.set()
        self._came.set()

    async def group(self) -> list[Waiting]:
        """The next, as soon as there is one: who may not wait goes first. None of all once the line has ended."""
        while not (self._urgent or self._closed):
            if not self._patient:
                self._came.clear()
                await self._came.wait()
                continue
            await self._company()
            if self._patient:
                break
        return [*_taken(self._urgent, self._group_max), *_taken(self._patient, PATIENT_MAX)]

    def all(self) -> list[Waiting]:
        """Nobody is in line any more."""
        return [*_taken(self._urgent, len(self._urgent)), *_taken(self._patient, len(self._patient))]

    async def _company(self) -> None:
        """Until one that may not wait comes, or has not come for too long."""
        loop = asyncio.get_running_loop()
        if self._last_urgent_s is None or loop.time() - self._last_urgent_s > OFTEN_S:
            return
        if len(self._patient) < PATIENT_MAX:
            self._ready.clear()
        timer = loop.call_later(COMPANY_S, self._ready.set)
        self._gathers = True
        try:
            await self._ready.wait()
        finally:
            self._gathers = False
            timer.cancel()


def _taken(line: deque[Waiting], most: int) -> list[Waiting]:
    return [line.popleft() for _ in range(min(most, len(line)))]
