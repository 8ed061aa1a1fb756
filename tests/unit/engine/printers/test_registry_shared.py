"""Printers that come to this worker and go to another, while paper comes out: no page is lost, none counts twice."""

from __future__ import annotations

from dataclasses import dataclass, field

from pagereeve.domain.facts.facts import PlateauRead
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World


@dataclass
class Shared:
    """A world in which this worker holds some of the printers."""

    world: World
    held: set[str] = field(default_factory=set)

    async def begin(self) -> None:
        await self.world.__aenter__()
        self.world.registry.watches = self.held.__contains__

    async def loses(self, *names: str) -> None:
        self.held -= set(names)
        await self.world.registry.drop(names)

    async def gives_up(self, *names: str) -> None:
        await self.world.registry.let_go(names)
        self.held -= set(names)

    def takes(self, *names: str) -> None:
        self.held |= set(names)
        self.world.registry.take_up(names)


async def shared(*names: str) -> Shared:
    one = Shared(World({name: FakePrinter() for name in names}), set(names))
    await one.begin()
    return one


def test_a_printer_that_is_anothers_is_not_read_and_its_notices_begin_no_watcher() -> None:
    async def story() -> None:
        site = await shared("p", "q")
        await site.world.passes(5)
        await site.gives_up("p")
        assert set(site.world.registry.watchers) == {"q"}
        before = list(site.world.meter.sent_s["p"])
        await site.world.start("A", 3)
        await site.world.end("A")
        await site.world.passes(4_000)
        assert site.world.meter.sent_s["p"] == before
        assert set(site.world.registry.watchers) == {"q"}
        assert not site.world.troubles
        await site.world.__aexit__()

    passing(story())


def test_what_was_released_while_it_was_anothers_is_charged_once_it_is_back() -> None:
    async def story() -> None:
        site = await shared("p")
        await site.world.release("A", 3)
        await site.gives_up("p")
        await site.world.start("B", 4)
        site.world.printers["p"].print(site.world.now_s, 4)
        await site.world.passes(60)
        await site.world.end("B")
        site.takes("p")
        await site.world.passes(60)
        ledger = await site.world.ledger()
        assert sum(one.charged for one in ledger.charges if one.channel == "total") == 7
        assert not site.world.troubles
        await site.world.__aexit__()

    passing(story())


def test_all_that_was_read_is_stored_when_a_printer_is_given_up() -> None:
    async def story() -> None:
        site = await shared("p")
        await site.world.passes(100)
        watcher = site.world.watcher()
        site.world.printers["p"].print(site.world.now_s, 2)
        await site.world.passes(2)
        watcher.ask_for_reading()
        await site.world.passes(2)
        await site.gives_up("p")
        run = await site.world.store.open_run("p")
        assert run is not None
        assert run.fact == watcher.recorder.current
        await site.world.__aexit__()

    passing(story())


def test_the_open_plateau_of_a_worker_that_is_gone_is_sealed_at_its_last_durable_instant() -> None:
    """By whoever watches the printer next, with the code with which a start goes on after a kill."""

    async def story() -> None:
        site = await shared("p")
        await site.world.passes(100)
        durable = await site.world.store.open_run("p")
        assert durable is not None
        await site.loses("p")
        assert await site.world.store.open_run("p") == durable
        site.world.printers["p"].print(site.world.now_s, 2)
        await site.world.passes(60)
        site.takes("p")
        await site.world.passes(30)
        sealed = [one for one in await site.world.facts() if isinstance(one, PlateauRead)]
        assert sealed == [durable.fact]
        assert not site.world.troubles
        await site.world.__aexit__()

    passing(story())


def test_who_lost_a_printer_in_the_middle_of_a_write_writes_nothing_more_of_it() -> None:
    """It stood still: what it had read waits until it is known whether the printer is still its own."""

    async def story() -> None:
        site = await shared("p")
        await site.world.passes(100)
        known = await site.world.store.open_run("p")
        watcher = site.world.watcher()
        asked: list[float] = []

        async def stood_still() -> None:
            asked.append(site.world.now_s)
            await site.world.passes(3)

        watcher.recorder.held = stood_still
        site.world.printers["p"].print(site.world.now_s, 2)
        watcher.ask_for_reading()
        await site.world.passes(2)
        assert asked
        await site.loses("p")
        await site.world.passes(100)
        assert await site.world.store.open_run("p") == known
        assert not site.world.troubles
        await site.world.__aexit__()

    passing(story())
