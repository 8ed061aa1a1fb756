"""A day with a printer whose unit nobody says: two two-sided releases teach it, and the next one is charged exactly."""

from __future__ import annotations

from pagereeve.domain.facts.facts import SettleLearned, UnitLearned
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Verdict
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import World


async def two_sided(world: World, release: str, pages: int, moved: int) -> None:
    await world.start(release, pages, ticket={"sides": "two-sided-long-edge"})
    world.printers["p"].print(world.now_s, moved)
    await world.passes(2)
    await world.end(release)
    await world.passes(60)


async def learned(world: World) -> list[tuple[UnitLearned, ...]]:
    return [fact.units for fact in await world.facts() if isinstance(fact, SettleLearned)]


def test_a_day_with_a_printer_whose_unit_is_learnt() -> None:
    async def story() -> None:
        async with World() as world:
            world.printers["p"].unit = Unit.UNKNOWN
            await world.passes(100)
            await two_sided(world, "r1", 4, 2)
            assert await learned(world) == []
            await two_sided(world, "r2", 6, 3)
            ((unit,),) = await learned(world)
            assert (unit.channel, unit.unit) == ("total", Unit.SHEETS)
            assert [one.release for one in unit.releases] == ["r1", "r2"]
            await two_sided(world, "r3", 8, 4)
            charges = {one.release.release: one for one in (await world.ledger()).charges}
            assert {one.verdict for one in charges.values()} == {Verdict.AGREES}
            assert [charges[name].charged for name in ("r1", "r2", "r3")] == [0, 0, 4]
            assert [charges[name].unproven for name in ("r1", "r2", "r3")] == [2, 3, 0]
            assert [(one.kind, one.state) for one in (await world.ledger()).findings] == [("unit-assumed", "closed")]
            assert world.watcher().settle_us() == 10_000_000
            assert world.troubles == []

    passing(story())


def test_what_was_shown_before_a_restart_counts_after_it() -> None:
    async def story() -> None:
        async with World() as world:
            world.printers["p"].unit = Unit.UNKNOWN
            await world.passes(100)
            await two_sided(world, "r1", 4, 2)
            await world.passes(600)
            assert await learned(world) == []
        async with World(printers=world.printers, store=world.store, clock=world.clock, ids=world.ids) as again:
            await again.passes(100)
            await two_sided(again, "r2", 4, 2)
            ((unit,),) = await learned(again)
            assert [one.release for one in unit.releases] == ["r1", "r2"]
            await again.ledger()

    passing(story())
