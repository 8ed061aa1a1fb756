"""Printers that come, go and change while the registry runs: always one owner, and rows as the facts say."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.facts.facts import PolicySet
from pagereeve.engine.printers.registry import READ_AT_ONCE_MAX, RegisteredPrinter, RegistryChange
from pagereeve.ports.meter import MeterTarget
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import POLICY, FakePrinter, World

NAMES = ("p", "q", "r")
PRINTERS = {name: RegisteredPrinter(MeterTarget(name, "192.0.2.1"), POLICY) for name in NAMES}
OTHER = replace(POLICY, charging="released")


def of(*names: str) -> dict[str, RegisteredPrinter]:
    return {name: PRINTERS[name] for name in names}


def world_of(*names: str) -> World:
    """All printers stand there; those of these names are registered at the start."""
    world = World({name: FakePrinter() for name in names})
    world.meter.printers = {name: world.printers.get(name, FakePrinter()) for name in NAMES}
    return world


async def claimed_5_printed_3(world: World, release: str) -> None:
    await world.start(release, 5)
    world.printers["p"].print(world.now_s, 3)
    await world.passes(4)
    await world.end(release)
    await world.passes(60)


def test_what_differs_between_two_registries() -> None:
    other = {**of("q", "r"), "q": replace(PRINTERS["q"], gateway="gw")}
    assert RegistryChange.between(of("p", "q"), other) == RegistryChange(["r"], ["p"], ["q"])
    assert RegistryChange.between(of("p"), of("p")) == RegistryChange([], [], [])


def test_a_printer_that_comes_is_read_at_once_and_one_that_goes_no_more() -> None:
    async def story() -> None:
        world = world_of("p", "q")
        world.around = replace(world.around, first_spread_s=1_000.0)
        async with world:
            await world.passes(3_000)
            await world.registry.change({**of("p"), "r": replace(PRINTERS["r"], gateway="gw")})
            reads = len(world.sent_s("q"))
            await world.passes(2)
            assert len(world.sent_s("r")) == 1
            assert world.registry.behind("gw") == ["r"]
            await world.passes(10_000)
            assert len(world.sent_s("q")) == reads
            assert sorted(world.registry.watchers) == ["p", "r"]
            assert world.supervisor.troubles() == []
            assert sum(world.supervisor.ends.values()) == 0

    passing(story())


def test_a_stranger_that_is_registered_gets_a_meter_and_keeps_its_facts() -> None:
    async def story() -> None:
        async with world_of("p") as world:
            await world.passes(100)
            await world.start("early", 2, "r")
            await world.passes(1)
            stranger = world.watcher("r")
            await world.registry.change(of("p", "r"))
            assert world.watcher("r") is not stranger
            await world.passes(100)
            assert len(world.sent_s("r")) > 1
            world.printers["r"] = world.meter.printers["r"]
            await world.release("later", 3, "r")
            ledger = await world.ledger("r")
            assert {one.release.release: one.counted for one in ledger.charges}["later"] == 3
            assert world.troubles == []

    passing(story())


def test_a_printer_that_goes_in_the_middle_of_a_release_leaves_rows_as_the_facts_say_and_may_come_back() -> None:
    async def story() -> None:
        async with world_of("p", "q") as world:
            await world.passes(100)
            await world.start("r", 3)
            world.printers["p"].print(world.now_s, 3)
            await world.passes(1)
            await world.registry.change(of("q"))
            await world.ledger()
            await world.end("r")
            await world.passes(5)
            await world.ledger()
            await world.registry.change(of("p", "q"))
            await world.passes(200)
            (one,) = (await world.ledger()).charges
            assert one.counted == 3
            assert world.meter.overlaps == 0
            assert world.supervisor.troubles() == []

    passing(story())


def test_a_policy_counts_from_its_own_date() -> None:
    async def story() -> None:
        async with world_of("p") as world:
            await world.passes(100)
            await claimed_5_printed_3(world, "before")
            now_us = world.clock.now_us()
            watcher = world.watcher()
            await world.registry.change({"p": replace(PRINTERS["p"], policy=OTHER)})
            await world.passes(0.5)
            assert world.watcher() is watcher
            await claimed_5_printed_3(world, "after")
            charged = {one.release.release: one.charged for one in (await world.ledger()).charges}
            assert charged == {"before": 3, "after": 5}
            said = [fact for fact in await world.facts() if isinstance(fact, PolicySet)]
            assert [(one.policy.charging, one.at_us >= now_us) for one in said] == [
                ("lesser", False),
                ("released", True),
            ]

    passing(story())


def test_a_policy_that_could_not_be_stored_is_stored_later() -> None:
    async def story() -> None:
        async with world_of("p") as world:
            await world.passes(100)
            world.store.unavailable = "the disk is full"
            await world.registry.change({"p": replace(PRINTERS["p"], policy=OTHER)})
            await world.passes(10)
            world.store.unavailable = ""
            await world.passes(60)
            said = [fact.policy.charging for fact in await world.facts() if isinstance(fact, PolicySet)]
            assert said == ["lesser", "released"]

    passing(story())


def test_a_journal_that_stores_nothing_costs_no_rows_of_a_printer_that_goes() -> None:
    async def story() -> None:
        async with world_of("p", "q") as world:
            await world.passes(100)
            await world.start("r", 3)
            world.store.unavailable = "the disk is full"
            await world.registry.change(of("q"))
            await world.passes(10)
            world.store.unavailable = ""
            await world.passes(120)
            await world.ledger()
            assert "p" in world.registry.watchers
            assert world.watcher("p").target is None

    passing(story())


def test_another_target_is_asked_from_then_on() -> None:
    async def story() -> None:
        async with world_of("p") as world:
            await world.passes(100)
            known = PRINTERS["p"].target
            assert known is not None
            target, reads = replace(known, community="another"), len(world.sent_s())
            await world.registry.change({"p": replace(PRINTERS["p"], target=target)})
            await world.passes(0.5)
            assert len(world.sent_s()) == reads + 1
            assert world.watcher().target == target

    passing(story())


def test_many_printers_that_come_at_once_wait_for_their_turns() -> None:
    async def story() -> None:
        world = world_of("p")
        world.around = replace(world.around, first_spread_s=600.0)
        async with world:
            many = {f"n-{number}": FakePrinter() for number in range(READ_AT_ONCE_MAX + 1)}
            world.meter.printers = {**world.meter.printers, **many}
            come = {name: RegisteredPrinter(MeterTarget(name, "192.0.2.1"), POLICY) for name in many}
            await world.registry.change({**of("p"), **come})
            await world.passes(1)
            assert sum(len(world.sent_s(name)) for name in many) < 5
            await world.passes(700)
            assert all(world.sent_s(name) for name in many)

    passing(story())
