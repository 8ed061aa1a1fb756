"""What a worker read while the database was away for it waits in its own spool, whoever has the printer meanwhile."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field, replace

import pytest

from pagereeve.domain.brackets.plateaus import record
from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.engine.printers.polling import PollPolicy
from pagereeve.ports.spool import Run, SpooledRuns
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World

STRAY = 3
OUTAGE_S = 60.0
POLL_S = 3.0
"""Between a worker's first two reads for a release."""


@dataclass
class MemorySpool:
    waiting: dict[str, SpooledRuns] = field(default_factory=dict)

    def has_runs(self, printer: str) -> bool:
        return printer in self.waiting

    async def keep_runs(self, printer: str, sealed: Sequence[Run], current: Run) -> None:
        self.waiting[printer] = SpooledRuns(tuple(sealed), len(sealed), current)

    async def runs(self, printer: str, most: int) -> SpooledRuns:
        assert len(self.waiting[printer].sealed) <= most
        return self.waiting[printer]

    async def drop_runs(self, printer: str, runs: SpooledRuns) -> None:
        assert self.waiting.pop(printer) is runs


@dataclass
class HeldUpJournal(MemoryJournal):
    """A watcher that begins waits for ``goes_on`` before it learns anything of its rows."""

    goes_on: asyncio.Event = field(default_factory=asyncio.Event)
    held_up: int = 0

    def __post_init__(self) -> None:
        MemoryJournal.__init__(self)
        self.goes_on.set()

    async def rows_version(self, printer: str) -> int:
        if not self.goes_on.is_set():
            self.held_up += 1
            await self.goes_on.wait()
        return await super().rows_version(printer)


@dataclass
class Worker:
    """One of several; it watches ``held``."""

    store: MemoryJournal = field(default_factory=MemoryJournal)
    held: set[str] = field(default_factory=lambda: {"p"})
    spool: MemorySpool = field(default_factory=MemorySpool)
    world: World = field(init=False)

    async def begin(self) -> None:
        polls = PollPolicy(first_s=POLL_S)
        self.world = World({"p": FakePrinter()}, store=self.store, watches=self.held.__contains__, poll_policy=polls)
        self.world.around = replace(self.world.around, spool=self.spool)
        await self.world.__aenter__()
        await self.world.passes(100)

    async def reads_into_its_spool(self) -> PlateauRead:
        """As the database is away for this worker alone: pages come out, and the meter rests for a while."""
        known = await self.store.open_run("p")
        assert known is not None
        self.world.printers["p"].value += STRAY
        moved = record("p", known.fact, await self.read()).current
        await self.world.passes(OUTAGE_S)
        rested = record("p", moved, await self.read()).current
        assert isinstance(rested, PlateauRead)
        await self.spool.keep_runs("p", (known.fact,), rested)
        return rested

    async def read(self) -> Reading | Failure:
        target = self.world.registry.registered["p"].target
        assert target is not None
        return await self.world.meter.read(target, 1.0)


async def loses(worker: Worker) -> None:
    worker.held.clear()
    await worker.world.registry.drop(["p"])


async def gives_up(worker: Worker) -> None:
    await worker.world.registry.let_go(["p"])
    worker.held.clear()


@pytest.mark.parametrize("goes", [loses, gives_up])
def test_what_waits_goes_into_the_journal_though_the_printer_is_anothers(
    goes: Callable[[Worker], Awaitable[None]],
) -> None:
    async def story() -> None:
        worker = Worker()
        await worker.begin()
        worker.world.registry.watchers["p"].target = None  # it reads nothing more: the other one does
        run = await worker.reads_into_its_spool()
        await goes(worker)
        await worker.world.passes(2)
        assert worker.spool.waiting == {}
        stored = await worker.store.open_run("p")
        assert stored is not None
        assert stored.fact == run
        await worker.world.ledger()
        # Whoever hears of a notice here asks the worker that watches it.
        await worker.world.passes(2)
        assert worker.world.registry.watchers == {}
        assert not worker.world.troubles
        await worker.world.__aexit__()

    passing(story())


def test_a_watcher_that_is_ended_as_it_begins_leaves_rows_that_know_what_it_brought() -> None:
    async def story() -> None:
        journal = HeldUpJournal()
        worker = Worker(journal)
        await worker.begin()
        await gives_up(worker)
        await worker.reads_into_its_spool()
        journal.goes_on.clear()
        worker.held.add("p")
        worker.world.registry.take_up(["p"])
        await worker.world.passes(1)
        assert journal.held_up == 1
        assert worker.spool.waiting == {}
        asyncio.get_running_loop().call_later(1.0, journal.goes_on.set)
        await gives_up(worker)
        ledger = await worker.world.ledger()
        assert [one.counted for one in ledger.stretches] == [STRAY]
        await worker.world.__aexit__()

    passing(story())


def test_what_is_brought_long_after_another_watched_the_printer_changes_rows_of_then() -> None:
    async def story() -> None:
        worker = Worker()
        await worker.begin()
        world = worker.world
        seen_alone = await releases_and_what_was_seen_alone(worker)
        await gives_up(worker)
        known = await worker.store.open_run("p")
        assert known is not None
        await worker.spool.keep_runs("p", (seen_alone,), record("p", known.fact, await worker.read()).current)
        worker.held.add("p")
        world.registry.take_up(["p"])
        await world.passes(10)
        assert worker.spool.waiting == {}
        assert await opens_us(world) == seen_alone.plateau.last_sent_us
        assert not world.troubles
        await world.__aexit__()

    passing(story())


def test_what_was_brought_before_a_kill_changes_rows_of_then_at_the_next_start() -> None:
    async def story() -> None:
        worker = Worker()
        await worker.begin()
        seen_alone = await releases_and_what_was_seen_alone(worker)
        await worker.world.__aexit__()
        await worker.store.append(seen_alone)
        again = Worker(worker.store)
        await again.begin()
        assert await opens_us(again.world) == seen_alone.plateau.last_sent_us
        assert not again.world.troubles
        await again.world.__aexit__()

    passing(story())


async def releases_and_what_was_seen_alone(worker: Worker) -> PlateauRead:
    """Both workers read it, and this one last of all before the pages of release A came: the stretch opens there, once
    rows know it. Others follow, so that these rows lie behind the resume point.
    """
    world = worker.world
    await world.start("A")
    world.printers["p"].print(world.now_s, 3, first_s=0.6)
    await world.passes(0.5)
    seen_alone = record("p", None, await worker.read()).current
    assert isinstance(seen_alone, PlateauRead)
    await world.passes(5)
    await world.end("A")
    for name in "BCDE":
        await world.passes(100)
        await world.release(name)
    assert await opens_us(world) < seen_alone.plateau.last_sent_us
    return seen_alone


async def opens_us(world: World) -> int:
    """Of the stretch of release A."""
    return next(
        one.opens_us for one in (await world.ledger()).stretches if [key.release for key in one.releases] == ["A"]
    )
