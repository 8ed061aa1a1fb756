"""A printer whose counter lags teaches its settle time, and its later releases agree."""

from __future__ import annotations

from pagereeve.domain.facts.facts import SettleLearned
from pagereeve.domain.ledger import Verdict
from pagereeve.domain.values.instants import SECOND_US
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import World


async def lagging(world: World, release: str, *, late_s: float = 28.0) -> None:
    """Four pages released: two at once, two long after the end notice, nothing printing in between."""
    await world.start(release, 4)
    world.printers["p"].due = [(world.now_s + 2, 2)]
    await world.passes(3)
    await world.end(release)
    await world.passes(late_s - 3)
    world.printers["p"].due = [(world.now_s, 2)]
    await world.passes(200)


def test_a_counter_that_lags_is_waited_for_once_it_has_shown_it() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            await lagging(world, "first")
            learned = [fact for fact in await world.facts() if isinstance(fact, SettleLearned)]
            assert len(learned) == 1
            assert 30 * SECOND_US < learned[0].settle_us < 60 * SECOND_US
            assert world.watcher().settle_us() == learned[0].settle_us
            for release in ("second", "third"):
                await lagging(world, release)
            verdicts = {one.release.release: one.verdict for one in (await world.ledger()).charges}
            assert verdicts == {"first": Verdict.SHORTFALL, "second": Verdict.AGREES, "third": Verdict.AGREES}
            assert world.troubles == []

    passing(story())


def test_copies_by_hand_teach_nothing() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            for nth in range(4):
                await world.release(f"r{nth}", 3)
                world.printers["p"].due = [(world.now_s, 5)]
                await world.passes(60)
            assert not [fact for fact in await world.facts() if isinstance(fact, SettleLearned)]
            assert world.watcher().settle_us() == 10 * SECOND_US
            await world.ledger()

    passing(story())


def test_what_was_learnt_outlives_a_restart() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            await lagging(world, "first")
        async with World(printers=world.printers, store=world.store, clock=world.clock, ids=world.ids) as again:
            await again.passes(1)
            settle_us = again.watcher().settle_us()
            assert settle_us is not None
            assert settle_us > 30 * SECOND_US
            await again.passes(100)
            await lagging(again, "second")
            verdicts = {one.release.release: one.verdict for one in (await again.ledger()).charges}
            assert verdicts["second"] is Verdict.AGREES

    passing(story())
