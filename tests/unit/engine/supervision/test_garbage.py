"""When cycles are looked for: while nobody waits, and at the latest when very many objects came together."""

from __future__ import annotations

import asyncio
import gc
import sys
from dataclasses import dataclass, field

import pytest

from pagereeve.app.running import tune_interpreter
from pagereeve.engine.supervision.garbage import (
    MIDDLE_EVERY_S,
    OLD_EVERY_S,
    URGENT,
    WORTH_A_LOOK,
    Collector,
    GarbageCollection,
)
from tests.unit.engine.virtual import VirtualClock, passing


@dataclass
class Counted:
    young: int = 0
    looked: list[int] = field(default_factory=list)

    def get_count(self) -> tuple[int, int, int]:
        return self.young, 0, 0

    def collect(self, generation: int = 2) -> int:
        self.looked.append(generation)
        self.young = 0
        return 0


@pytest.mark.parametrize(
    ("young", "waits", "looked"),
    [
        (WORTH_A_LOOK - 1, False, []),
        (WORTH_A_LOOK, False, [0]),
        (WORTH_A_LOOK, True, []),
        (URGENT - 1, True, []),
        (URGENT, True, [0]),
    ],
)
def test_young_objects_are_looked_through_while_nobody_waits(young: int, waits: bool, looked: list[int]) -> None:
    counted = Counted(young)

    async def story() -> None:
        GarbageCollection(VirtualClock(), counted, lambda: waits).look()

    passing(story())
    assert counted.looked == looked


def test_older_objects_are_looked_through_seldom_and_never_while_somebody_waits() -> None:
    counted, waiting = Counted(), [False]

    async def story() -> None:
        collection = GarbageCollection(VirtualClock(), counted, lambda: waiting[0])
        running = asyncio.create_task(collection.run())
        await asyncio.sleep(MIDDLE_EVERY_S + 1.5)
        assert counted.looked == [1]
        await asyncio.sleep(OLD_EVERY_S)
        assert counted.looked.count(2) == 1
        assert OLD_EVERY_S / MIDDLE_EVERY_S - 3 <= counted.looked.count(1) <= OLD_EVERY_S / MIDDLE_EVERY_S
        waiting[0], before = True, len(counted.looked)
        await asyncio.sleep(2 * OLD_EVERY_S)
        assert len(counted.looked) == before
        running.cancel()

    passing(story())


def test_with_the_interpreters_own_collector_off_cycles_go_all_the_same() -> None:
    collector: Collector = gc
    interval_s = sys.getswitchinterval()

    async def story() -> None:
        GarbageCollection(VirtualClock(), collector, lambda: False).look()

    try:
        tune_interpreter()
        assert not gc.isenabled()
        for _ in range(WORTH_A_LOOK):
            cycle: list[object] = []
            cycle.append(cycle)
        assert gc.get_count()[0] >= WORTH_A_LOOK
        passing(story())
        assert gc.get_count()[0] < WORTH_A_LOOK
    finally:
        gc.unfreeze()
        gc.enable()
        sys.setswitchinterval(interval_s)
