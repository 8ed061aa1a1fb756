"""Whatever stops, and when: the journal holds what counts, and the work is taken up where it was left."""

from __future__ import annotations

import asyncio
from itertools import pairwise

import pytest

from pagereeve.app.site_clock import SiteClock
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.ledger import Grade, Verdict
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.supervisor import PAUSE_FIRST_S, PAUSE_LONGEST_S, Supervisor
from tests.unit.engine.virtual import VirtualClock, passing
from tests.unit.engine.world import FakePrinter, World


@pytest.mark.parametrize("stop_s", [0.01, 0.5, 1.9, 2.5, 4.0, 8.0, 13.0])
def test_a_restart_in_the_middle_of_a_bracket_resumes_it(stop_s: float) -> None:
    async def story() -> None:
        first = World()
        async with first:
            await first.passes(100)
            await first.start("r", 4)
            first.printers["p"].print(first.now_s, 4)
            await first.passes(stop_s)
        async with World(first.printers, store=first.store) as again:
            await again.end("r")
            await again.passes(60)
            ledger = await again.ledger()
            (one,) = ledger.charges
            assert (one.counted, one.verdict) == (4, Verdict.AGREES)
            assert ledger.findings == []
            assert again.meter.overlaps == 0

    passing(story())


def test_a_window_left_open_is_read_for_at_once_and_not_spread_out() -> None:
    async def story() -> None:
        first = World()
        async with first:
            await first.passes(100)
            await first.start("r", 4)
            await first.passes(0.2)
        async with World(first.printers, store=first.store, first_spread_s=600) as again:
            begun_s = again.now_s
            await again.passes(5)
            assert again.sent_s()[0] - begun_s < 0.1

    passing(story())


def test_pages_that_came_while_nobody_ran_are_accounted_for() -> None:
    async def story() -> None:
        first = World()
        async with first:
            await first.release("r", 4)
        first.printers["p"].value += 7
        await asyncio.sleep(3600)
        async with World(first.printers, store=first.store) as again:
            await again.passes(100)
            ledger = await again.ledger()
            assert [one.counted for one in ledger.stretches if not one.releases] == [7]
            assert [one.kind for one in ledger.findings] == ["stray-pages"]

    passing(story())


def test_a_release_told_hours_later_lands_in_its_own_time() -> None:
    """opslane/opslane#62: and what was stray a while ago is stray no longer."""

    async def story() -> None:
        async with World() as world:
            await world.passes(1000)
            world.printers["p"].print(world.now_s, 5)
            begun_s = world.now_s
            await world.passes(4 * 3600)
            assert [one.kind for one in (await world.ledger()).findings] == ["stray-pages"]
            await world.release("later", 2)
            await world.start("r", 5, late_s=world.now_s - begun_s)
            await world.end("r", late_s=world.now_s - begun_s - 4)
            await world.passes(60)
            ledger = await world.ledger()
            assert ledger.charges[0].counted == 5
            assert ledger.findings == []
            assert world.counters.rewinds > 0

    passing(story())


def test_a_printer_is_no_dearer_after_many_releases() -> None:
    async def story() -> None:
        async with World() as world:
            for nth in range(60):
                await world.release(f"r{nth}", 1)
                await world.passes(120)
            projector = world.watcher().projector
            assert projector is not None
            assert len(projector._facts) < 60
            assert len((await world.ledger()).charges) == 60

    passing(story())


def test_a_fault_of_the_meter_is_told_counted_and_survived() -> None:
    async def story() -> None:
        async with World({"p": FakePrinter(), "other": FakePrinter()}) as world:
            await world.passes(100)
            world.meter.broken = 3
            await world.release("r", 3)
            await world.passes(60)
            assert [name for name, _ in world.troubles] == ["printer p"] * 3
            assert world.supervisor.restarts == {"printers": 3}
            assert world.supervisor.failing == set()
            (one,) = (await world.ledger()).charges
            assert (one.counted, one.verdict) == (3, Verdict.AGREES)

    passing(story())


def test_a_journal_that_fails_for_a_while_costs_no_page() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            await world.start("r", 6)
            world.printers["p"].print(world.now_s, 6)
            await world.passes(1)
            world.store.unavailable = "the disk is full"
            await world.passes(20)
            assert world.troubles
            world.store.unavailable = ""
            await world.end("r")
            await world.passes(90)
            (one,) = (await world.ledger()).charges
            assert (one.counted, one.verdict) == (6, Verdict.AGREES)

    passing(story())


def test_a_gated_release_is_answered_though_the_watcher_fell_over_meanwhile() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            world.meter.broken = 1
            assert (await world.start("r", wait_s=20)).reading == "in-hand"

    passing(story())


@pytest.mark.parametrize("step_s", [3600, -3600])
def test_a_wall_clock_that_is_set_neither_hangs_a_wait_nor_bends_a_reading(step_s: int) -> None:
    """Uninett/nav#4073: durations are monotonic; a plateau never ends before it began."""

    async def story() -> None:
        machine = VirtualClock()
        async with World(clock=SiteClock(machine, machine.monotonic_us)) as world:
            await world.passes(100)
            await world.release("before", 2)
            machine.step_us = step_s * SECOND_US
            before = len(world.sent_s())
            await world.passes(2000)
            assert 1 <= len(world.sent_s()) - before < 60
            await world.release("after", 3)
            await world.passes(4000)
            ledger = await world.ledger()
            assert sum(one.counted for one in ledger.stretches) == 5
            assert [one.verdict for one in ledger.charges] == [Verdict.AGREES] * 2
            assert ledger.findings == []

    passing(story())


def test_a_thousand_events_at_once_are_all_taken_and_projected() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            answers = await asyncio.gather(*(world.start(f"r{nth}", 1) for nth in range(1500)))
            assert {one.outcome for one in answers} == {"stored"}
            await world.passes(5)
            assert len([fact for fact in await world.facts() if isinstance(fact, ReleaseStarted)]) == 1500
            assert world.watcher().open_windows() == 1500

    passing(story())


def test_releases_behind_one_another_are_split_at_soft_cuts_or_share() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            for nth in range(6):
                await world.start(f"r{nth}", 2)
                world.printers["p"].print(world.now_s, 2)
                await world.passes(2)
                await world.end(f"r{nth}")
                await world.passes(6)
            await world.passes(60)
            ledger = await world.ledger()
            assert sum(one.counted or 0 for one in ledger.charges) == 12
            assert {one.verdict for one in ledger.charges} == {Verdict.AGREES}
            assert {one.grade for one in ledger.charges} <= {Grade.SHARED, Grade.INFERRED, Grade.TIGHT}

    passing(story())


def test_a_supervised_task_begins_again_with_growing_pauses_and_ends_when_it_returns() -> None:
    async def story() -> None:
        clock = VirtualClock()
        begun: list[float] = []
        told: list[str] = []
        supervisor = Supervisor(clock, lambda name, error: told.append(f"{name}: {error}"))

        async def work() -> None:
            begun.append(clock.monotonic_us() / SECOND_US)
            if len(begun) < 10:
                raise ValueError(f"fault {len(begun)}")

        task = supervisor.start("kind", "a task", work)
        await task
        pauses = [later - earlier for earlier, later in pairwise(begun)]
        assert pauses[0] == PAUSE_FIRST_S
        assert pauses[1] == 2 * PAUSE_FIRST_S
        assert pauses[-1] == PAUSE_LONGEST_S
        assert told[0] == "a task: fault 1"
        assert supervisor.restarts["kind"] == 9
        assert supervisor.failing == set()
        assert supervisor.tasks == set()

    passing(story())


def test_a_task_that_went_well_for_long_pauses_but_shortly_again() -> None:
    async def story() -> None:
        clock = VirtualClock()
        begun: list[float] = []
        supervisor = Supervisor(clock, lambda name, error: None)

        async def work() -> None:
            begun.append(clock.monotonic_us() / SECOND_US)
            if len(begun) == 7:
                await asyncio.sleep(100)
            if len(begun) < 9:
                raise ValueError("an invented fault")

        await supervisor.start("kind", "a task", work)
        assert begun[7] - begun[6] == 100 + PAUSE_FIRST_S

    passing(story())


def test_stopping_cancels_everything_and_waits_for_it() -> None:
    async def story() -> None:
        supervisor = Supervisor(VirtualClock(), lambda name, error: None)
        gone: list[int] = []

        async def work(nth: int) -> None:
            try:
                await asyncio.sleep(10**6)
            finally:
                await asyncio.sleep(0.1)
                gone.append(nth)

        for nth in range(5):
            supervisor.start("kind", f"task {nth}", lambda nth=nth: work(nth))  # type: ignore[misc]
        await asyncio.sleep(1)
        await supervisor.stop()
        assert sorted(gone) == [0, 1, 2, 3, 4]
        assert supervisor.tasks == set()

    passing(story())
