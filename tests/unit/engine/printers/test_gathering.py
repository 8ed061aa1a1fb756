"""Rows wait a little for what belongs to the same release, and for nothing else."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.projection.projector import Ledger, replay
from pagereeve.engine.printers.polling import PollPolicy
from pagereeve.engine.printers.watcher import GATHERED_INTERVALS
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World

GATHER_S = GATHERED_INTERVALS * PollPolicy().first_s


async def begun(world: World) -> int:
    """A release that prints, told of completely; projections until then."""
    await world.passes(100)
    projected = world.counters.projections
    await world.start("r", 3)
    world.printers["p"].print(world.now_s, 3, first_s=1.0, page_s=0.1)
    await world.passes(1.5)
    await world.end("r")
    return projected


def test_a_short_release_is_projected_as_it_comes_to_rest_and_as_it_closes() -> None:
    async def story() -> None:
        async with World() as world:
            projected = await begun(world)
            assert world.watcher().open_windows() == 1
            assert world.counters.projections == projected
            await world.passes(GATHER_S)
            assert world.counters.projections == projected + 1
            assert [one.reasons for one in (await world.ledger()).charges] == [("window-open",)]
            await world.passes(60)
            assert world.counters.projections == projected + 2
            assert [one.charged for one in (await world.ledger()).charges] == [3]
            assert world.watcher().open_windows() == 0

    passing(story())


def test_while_it_prints_rows_are_made_seldom_and_the_meter_is_read_as_often() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            projected, read = world.counters.projections, len(world.sent_s())
            await world.start("r", 80)
            world.printers["p"].print(world.now_s, 80, first_s=1.0)
            await world.passes(40)
            assert len(world.sent_s()) - read >= 35
            assert 40 / (GATHER_S + 2) <= world.counters.projections - projected <= 40 / GATHER_S + 1

    passing(story())


def test_who_waits_for_rest_waits_for_no_gathering() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            began_s = world.now_s
            accepted = await world.start("r", 3, wait_s=60, rest=True)
            assert accepted.rest == "rested"
            assert world.now_s - began_s < 0.2

    passing(story())


def test_a_move_without_a_release_is_projected_at_once() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            world.printers["p"].value += 2
            read, projected = len(world.sent_s()), world.counters.projections
            world.watcher().ask_for_reading()
            await world.passes(0.2)
            assert (len(world.sent_s()) - read, world.counters.projections - projected) == (1, 1)
            run = await world.store.open_run("p")
            assert run is not None
            assert isinstance(run.fact, PlateauRead)
            assert [count.value for _, count in run.fact.plateau.sight.counts] == [1002]

    passing(story())


def test_the_end_of_a_silence_is_projected_and_stored_at_once() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            world.printers["p"].silent = True
            await world.start("r", 3)
            await world.passes(10)
            world.printers["p"].silent = False
            projected = world.counters.projections
            world.watcher().ask_for_reading()
            await world.passes(world.poll_policy.timeout_s)
            run = await world.store.open_run("p")
            assert run is not None
            assert isinstance(run.fact, PlateauRead)
            assert world.counters.projections > projected

    passing(story())


@pytest.mark.parametrize("ends", ["stopped", "refused"])
def test_what_gathers_is_lost_by_no_end_of_the_watcher(ends: str) -> None:
    """It is stopped, or the journal refuses, before the rows were made: the next look finds all that was read."""

    async def story() -> Ledger:
        world = World({"p": FakePrinter()})
        async with world:
            await begun(world)
            await world.passes(GATHER_S / 2)
            if ends == "refused":
                world.store.unavailable = "the disk is full"
                await world.passes(20)
                world.store.unavailable = ""
                await world.passes(60)
        return await _as_replayed(world)

    ledger = passing(story())
    assert [one.charged for one in ledger.charges] == ([3] if ends == "refused" else [0])


async def _as_replayed(world: World) -> Ledger:
    facts, run = await world.facts(), await world.store.open_run("p")
    assert run is not None
    assert isinstance(run.fact, PlateauRead)
    # What was read while the rows gathered: the count stands behind the pages.
    assert [count.value for _, count in run.fact.plateau.sight.counts] == [1003]
    ledger = Ledger.of(await world.store.segments("p"))
    assert replay("p", facts, run.fact) == ledger
    return ledger
