"""A printer whose counter lags teaches its settle time, and its later releases agree."""

from __future__ import annotations

from pagereeve.domain.facts.facts import SettleLearned
from pagereeve.domain.facts.reading import PrinterState
from pagereeve.domain.ledger import Grade, Verdict
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
            assert not [fact for fact in await world.facts() if isinstance(fact, SettleLearned)]
            await lagging(world, "second")
            learned = [fact for fact in await world.facts() if isinstance(fact, SettleLearned)]
            assert len(learned) == 1
            assert 30 * SECOND_US < learned[0].settle_us < 60 * SECOND_US
            assert world.watcher().settle_us() == learned[0].settle_us
            for release in ("third", "fourth"):
                await lagging(world, release)
            verdicts = {one.release.release: one.verdict for one in (await world.ledger()).charges}
            short = dict.fromkeys(("first", "second"), Verdict.SHORTFALL)
            assert verdicts == short | dict.fromkeys(("third", "fourth"), Verdict.AGREES)
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
            for release in ("first", "second"):
                await lagging(world, release)
        async with World(printers=world.printers, store=world.store, clock=world.clock, ids=world.ids) as again:
            await again.passes(1)
            settle_us = again.watcher().settle_us()
            assert settle_us is not None
            assert settle_us > 30 * SECOND_US
            await again.passes(100)
            await lagging(again, "third")
            verdicts = {one.release.release: one.verdict for one in (await again.ledger()).charges}
            assert verdicts["third"] is Verdict.AGREES

    passing(story())


def test_a_state_that_stays_busy_is_not_believed_after_two_rests_and_is_again_after_two_idle_ones() -> None:
    """The count is exact: each release agrees; those that come after the second are judged by the count at once."""

    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            for nth, state in enumerate(["printing"] * 3 + ["idle"] * 3):
                world.printers["p"].state = None if state == "idle" else PrinterState(state)
                await world.release(f"r{nth}", 3)
                await world.passes(200)
            learned = [fact for fact in await world.facts() if isinstance(fact, SettleLearned)]
            assert [fact.state_believed for fact in learned] == [False, True]
            ledger = await world.ledger()
            assert {one.verdict for one in ledger.charges} == {Verdict.AGREES}
            assert [one.grade for one in ledger.charges] == [Grade.INFERRED] * 3 + [Grade.TIGHT] * 3
            (told,) = [one for one in ledger.findings if one.kind == "state-not-believed"]
            assert (told.state, len(ledger.findings)) == ("closed", 1)
            assert world.watcher().settle_us() == 10 * SECOND_US
            assert world.troubles == []

    passing(story())
