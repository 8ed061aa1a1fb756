"""A read that is begun ahead of the watcher's turn: it leaves at once, and there are never two."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed
from pagereeve.domain.facts.reading import Reading
from pagereeve.domain.projection.projector import Update
from pagereeve.engine.printers.meter_reads import MeterReads
from pagereeve.engine.printers.poll_schedule import PollSchedule
from pagereeve.engine.printers.polling import PollPolicy
from pagereeve.ports.meter import MeterTarget
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.engine.virtual import SeededEntropy, VirtualClock, passing
from tests.unit.engine.world import FakeMeter, FakePrinter, World

TARGET = MeterTarget("p", "192.0.2.1")
HANGS_S = 3.0


class SlowJournal(MemoryJournal):
    """While ``slow`` a turn takes HANGS_S to store."""

    slow = False

    async def keep_turn(
        self,
        printer: str,
        sealed: Sequence[Fact],
        current: PlateauRead | ReadFailed,
        update: Update,
        *,
        after: int | None = None,
    ) -> None:
        if self.slow:
            await asyncio.sleep(HANGS_S)
        await super().keep_turn(printer, sealed, current, update, after=after)


def reads() -> MeterReads:
    clock = VirtualClock()
    schedule = PollSchedule(clock, SeededEntropy(), PollPolicy())
    return MeterReads(FakeMeter(clock, {"p": FakePrinter(latency_s=1.0)}), schedule)


def test_a_notice_has_the_meter_read_while_the_watcher_stores() -> None:
    async def story() -> None:
        store = SlowJournal()
        async with World(store=store) as world:
            await world.passes(100)
            await world.start("r1")
            store.slow = True
            await world.passes(0.2)
            before, told_s = len(world.sent_s()), world.now_s
            await world.start("r2")
            await world.passes(0.01)
            assert world.sent_s()[before:] == [told_s]
            await world.passes(60)
            assert world.meter.overlaps == 0
            assert not world.troubles
            ledger = await world.ledger()
            assert {one.release.release for one in ledger.charges} == {"r1", "r2"}

    passing(story())


def test_what_was_begun_ahead_is_taken_once_and_another_is_not_begun_beside_it() -> None:
    async def story() -> None:
        one = reads()
        one.begin(TARGET)
        one.begin(TARGET)
        await asyncio.sleep(5)
        assert one.under_way
        result, sent_us = await one.result(TARGET)
        assert isinstance(result, Reading)
        assert (sent_us, one.under_way) == (0, False)
        own = asyncio.ensure_future(one.result(TARGET))
        await asyncio.sleep(0.5)
        one.begin(TARGET)
        assert not one.under_way
        _, sent_us = await own
        assert sent_us == 5_000_000

    passing(story())


def test_what_nobody_takes_is_dropped() -> None:
    async def story() -> None:
        one = reads()
        one.begin(TARGET)
        await asyncio.sleep(0.1)
        await one.drop()
        await one.drop()
        assert not one.under_way
        assert isinstance(one.meter, FakeMeter)
        assert one.meter.reading == set()

    passing(story())
