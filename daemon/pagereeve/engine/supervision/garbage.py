"""When Python looks for objects that only hold one another: while nobody waits, and not in the middle of a notice.

Nearly everything goes by its reference count. The collector of cycles, left to itself, looks through the young objects
whenever so many came together, which stops the event loop, and finds nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock

LOOK_EVERY_S = 1.0
# Objects that came and did not go since the young ones were last looked through.
WORTH_A_LOOK = 5_000
# So many are looked through whoever waits: memory has a bound. It takes a fifth of the time of 200,000, 10 ms and more.
URGENT = 50_000
# A notice that comes while the middle generation is looked through waits for it: of what stayed of 30 s at 70 releases
# a second, on a busy machine, once 92 ms. The sum is the same.
MIDDLE_EVERY_S, OLD_EVERY_S = 5.0, 600.0
YOUNG, MIDDLE, OLD = 0, 1, 2


class Collector(Protocol):
    """The interpreter's collector of cycles: Python's ``gc``."""

    def get_count(self) -> tuple[int, int, int]: ...

    def collect(self, generation: int = ...) -> int: ...


@dataclass(slots=True)
class GarbageCollection:
    """``somebody_waits``: for the journal, or for an answer. Old objects are looked through only while nobody does."""

    clock: Clock
    collector: Collector
    somebody_waits: Callable[[], bool]
    heartbeat: Heartbeat = field(init=False)
    _middle_us: int = 0
    _old_us: int = 0

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)
        self._middle_us = self._old_us = self.clock.monotonic_us()

    async def run(self) -> None:
        while True:
            self.heartbeat.rests(LOOK_EVERY_S)
            await self.clock.sleep(LOOK_EVERY_S)
            self.heartbeat.does("looks for unused memory", STORE_LONGEST_S)
            self.look()
            self.heartbeat.succeeded()

    def look(self) -> None:
        """Look through one generation, or none."""
        young, _, _ = self.collector.get_count()
        if self.somebody_waits():
            if young >= URGENT:
                self.collector.collect(YOUNG)
        elif (generation := self._due(young)) is not None:
            self.collector.collect(generation)

    def _due(self, young: int) -> int | None:
        now_us = self.clock.monotonic_us()
        if now_us - self._old_us >= OLD_EVERY_S * SECOND_US:
            self._old_us = self._middle_us = now_us
            return OLD
        if now_us - self._middle_us >= MIDDLE_EVERY_S * SECOND_US:
            self._middle_us = now_us
            return MIDDLE
        return YOUNG if young >= WORTH_A_LOOK else None
