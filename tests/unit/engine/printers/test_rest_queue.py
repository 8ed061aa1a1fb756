"""A sender that waits for rest: its job begins once those before it have come to rest, and its window at the answer."""

from __future__ import annotations

import asyncio

import pytest

from pagereeve.domain.facts.facts import ReleaseAnswered
from pagereeve.domain.ledger import Grade, Verdict
from pagereeve.domain.values.instants import SECOND_US
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import SERVER, FakePrinter, World


async def hold(world: World, name: str, pages: int, *, wait_s: float = 60.0, late_s: float = 0.0) -> float:
    """Wait for rest, then let the job go. How long that took."""
    begun_s = world.now_s
    accepted = await world.start(name, pages, wait_s=wait_s, rest=True, late_s=late_s)
    waited_s = world.now_s - begun_s
    assert accepted.reading == "in-hand"
    assert accepted.rest == ("rested" if waited_s < wait_s else "not-rested")
    world.printers["p"].print(world.now_s, pages)
    await world.passes(3 + pages * 0.5)
    await world.end(name)
    return waited_s


def test_each_of_a_crowd_prints_alone_in_the_order_received() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            turns: list[str] = []

            async def one(name: str, pages: int) -> None:
                await hold(world, name, pages, wait_s=300)
                turns.append(name)

            names = [f"r{nth}" for nth in range(5)]
            crowd = [asyncio.create_task(one(name, 2 + nth)) for nth, name in enumerate(names)]
            await asyncio.gather(*crowd)
            await world.passes(100)
            ledger = await world.ledger()
            assert turns == names
            assert [(one.counted, one.charged, one.verdict) for one in ledger.charges] == [
                (2 + nth, 2 + nth, Verdict.AGREES) for nth in range(5)
            ]
            assert {one.grade for one in ledger.charges} <= {Grade.TIGHT, Grade.INFERRED}
            answers = [fact for fact in await world.facts() if isinstance(fact, ReleaseAnswered)]
            assert [(one.source, one.reading, one.rest) for one in answers] == [(SERVER, "in-hand", "rested")] * 5

    passing(story())


@pytest.mark.parametrize(
    ("claimed", "least_s", "most_s"),
    [(4, 3, 7), (None, 10, 14), (6, 10, 14)],
    ids=["claim reached: proven after 3 s", "claim unknown: settle time", "two pages short: settle time"],
)
def test_a_reached_claim_needs_no_settle_time(claimed: int | None, least_s: float, most_s: float) -> None:
    async def story() -> float:
        async with World() as world:
            await world.passes(100)
            await world.start("before", 4, ticket={"pages": claimed})
            world.printers["p"].print(world.now_s, 4)
            await world.passes(8)
            await world.end("before")
            begun_s = world.now_s
            accepted = await world.start("next", 3, wait_s=60, rest=True)
            assert accepted.rest == "rested"
            return world.now_s - begun_s

    assert least_s <= passing(story()) <= most_s


def test_who_did_not_ask_for_rest_waits_for_the_reading_alone() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            task = asyncio.create_task(hold(world, "first", 20))
            await world.passes(2)
            begun_s = world.now_s
            accepted = await world.start("second", wait_s=30)
            assert (accepted.reading, accepted.rest) == ("in-hand", "")
            assert world.now_s - begun_s < 3
            await task

    passing(story())


def test_the_wait_is_over_after_its_seconds_whatever_prints() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            first = asyncio.create_task(hold(world, "long", 60))
            await world.passes(2)
            begun_s = world.now_s
            accepted = await world.start("next", 3, wait_s=5, rest=True)
            assert (accepted.rest, round(world.now_s - begun_s)) == ("not-rested", 5)
            await first

    passing(story())


def test_a_sender_that_goes_away_is_in_nobodys_way() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            first = asyncio.create_task(hold(world, "first", 20))
            await world.passes(2)
            gone = asyncio.create_task(world.start("gone", 3, wait_s=300, rest=True))
            await world.passes(1)
            gone.cancel()
            await world.end("gone", "cancelled")
            await hold(world, "third", 3)
            await first
            assert len(world.watcher().rest_queue) == 0
            notices = {fact.id for fact in await world.facts() if isinstance(fact, ReleaseAnswered)}
            assert len(notices) == 2

    passing(story())


def test_a_silent_meter_holds_nobody() -> None:
    """Two failed reads, and no more."""

    async def story() -> None:
        async with World({"p": FakePrinter(silent=True)}) as world:
            await world.passes(500)
            begun_s = world.now_s
            accepted = await world.start("r", wait_s=300, rest=True)
            assert (accepted.reading, accepted.rest) == ("failed", "not-rested")
            assert world.now_s - begun_s < 2 * world.poll_policy.timeout_s + 1

    passing(story())


def test_pages_before_the_answer_are_not_the_releases() -> None:
    """Somebody copies while the sender waits: a window that opened at the notice would take the pages for the job's."""

    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            first = asyncio.create_task(hold(world, "first", 2))
            await world.passes(1)
            second = asyncio.create_task(hold(world, "second", 4))
            await world.passes(3)
            world.printers["p"].print(world.now_s, 5)
            await asyncio.gather(first, second)
            await world.passes(100)
            charges = {one.release.release: one for one in (await world.ledger()).charges}
            # They came within a second of the first one's end: no rest parts them from it.
            assert (charges["first"].counted, charges["first"].verdict) == (7, Verdict.SURPLUS)
            assert (charges["second"].counted, charges["second"].verdict) == (4, Verdict.AGREES)

    passing(story())


def test_a_notice_sent_after_the_deed_opens_its_window_at_the_deed() -> None:
    """A sender that could not reach us let its job go, and says so later; that it would wait then changes nothing."""

    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            world.printers["p"].print(world.now_s, 3)
            await world.passes(60)
            await world.start("r", 3, wait_s=5, rest=True, late_s=60)
            await world.end("r")
            await world.passes(100)
            (charge,) = (await world.ledger()).charges
            assert (charge.counted, charge.verdict) == (3, Verdict.AGREES)
            assert charge.started_us <= world.clock.now_us() - 160 * SECOND_US

    passing(story())
