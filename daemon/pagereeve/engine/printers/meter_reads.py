"""The reads of one printer's meter, never two at once: its watcher's own, and one that is begun ahead of its turn."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.engine.printers.poll_schedule import PollSchedule
from pagereeve.ports.meter import Meter, MeterTarget


@dataclass(slots=True)
class MeterReads:
    """``under_way``: one was begun ahead, and the watcher has not taken its result yet."""

    meter: Meter
    schedule: PollSchedule
    _ahead: asyncio.Task[Reading | Failure] | None = None
    _sent_us: int = 0
    _reading: bool = False

    @property
    def under_way(self) -> bool:
        return self._ahead is not None

    def serves(self, since_us: int) -> bool:
        """A read sent at ``since_us`` (monotonic) or later is in flight, or waits for the watcher to take it."""
        return (self._ahead is not None or self._reading) and self._sent_us >= since_us

    def begin(self, target: MeterTarget) -> None:
        """Whatever the watcher does just now, the request leaves; where one is in flight, it is for ``result`` to begin
        the next.
        """
        if self._ahead is None and not self._reading:
            self._sent_us = self.schedule.begins()
            self._ahead = asyncio.create_task(self._read(target), name=f"read {target.printer}")

    async def result(self, target: MeterTarget) -> tuple[Reading | Failure, int]:
        """Of the read that was begun ahead, or of one that is begun now; with the monotonic instant of its sending. For
        the watcher alone.
        """
        self._reading = True
        try:
            if self._ahead is not None:
                ahead, sent_us = self._ahead, self._sent_us
                return await ahead, sent_us
            self._sent_us = sent_us = self.schedule.begins()
            return await self._read(target), sent_us
        finally:
            self._ahead, self._reading = None, False

    async def _read(self, target: MeterTarget) -> Reading | Failure:
        return await self.meter.read(target, self.schedule.poll_policy.timeout_s)

    async def drop(self) -> None:
        """Nobody will take what was begun ahead."""
        ahead, self._ahead = self._ahead, None
        if ahead is not None:
            ahead.cancel()
            await asyncio.gather(ahead, return_exceptions=True)
