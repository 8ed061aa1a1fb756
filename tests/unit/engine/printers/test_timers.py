"""Timers that wake early, and projections that take long: nothing is put off for good."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from pagereeve.domain.values.instants import SECOND_US
from tests.unit.engine.virtual import VirtualClock, passing
from tests.unit.engine.world import FakePrinter, World


@dataclass
class SlowClock(VirtualClock):
    """Every timer of the loop wakes a little before this clock says that it is due."""

    def monotonic_us(self) -> int:
        return round(asyncio.get_running_loop().time() * SECOND_US * 0.999)


@dataclass
class ClockOfSlowProjections(VirtualClock):
    """Each look at it takes 15 ms, so every projection seems long."""

    looks: int = 0

    def monotonic_us(self) -> int:
        self.looks += 1
        return super().monotonic_us() + self.looks * 15_000


def test_a_timer_that_wakes_early_does_not_put_off_a_read() -> None:
    async def story() -> None:
        printers = {name: FakePrinter() for name in "abcdefgh"}
        async with World(printers, clock=SlowClock(), first_spread_s=10.0) as world:
            await world.passes(20)
            assert all(len(world.sent_s(name)) >= 1 for name in printers)
            await world.passes(1300)
            assert all(len(world.sent_s(name)) >= 2 for name in printers)

    passing(story())


def test_a_long_projection_is_put_off_and_then_made() -> None:
    async def story() -> None:
        async with World(clock=ClockOfSlowProjections()) as world:
            await world.passes(100)
            before = world.counters.projections
            await world.release("r", 3)
            await world.passes(60)
            assert world.counters.projections > before
            (one,) = (await world.ledger()).charges
            assert one.counted == 3
            assert world.troubles == []

    passing(story())


def test_a_notice_that_comes_while_the_meter_is_read_has_it_read_soon_and_often() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(120)
            world.watcher().ask_for_reading()
            await world.passes(0.01)
            await world.start("r", 4)
            begun_s, before = world.now_s, len(world.meter.sent_s["p"])
            await world.passes(12)
            after_s = [sent_s - begun_s for sent_s in world.meter.sent_s["p"][before:]]
            assert after_s[0] < 0.1
            assert after_s[1] < 2.5
            assert len(after_s) >= 4

    passing(story())
