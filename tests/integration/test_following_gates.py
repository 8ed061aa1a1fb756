"""A sender waits at one worker for the meter of a printer that another watches."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack
from time import monotonic

import pytest

from pagereeve.domain.facts.facts import ReleaseAnswered
from pagereeve.store.postgres.address import Address
from tests.integration.following_worlds import Worker, worker
from tests.integration.postgres_server import Server
from tests.integration.test_following_engine import _has_read, require_right, two_workers, until
from tests.unit.engine.world import FakePrinter

WAIT_S = 8.0


async def answers(one: Worker) -> list[ReleaseAnswered]:
    return [fact for fact in await one.world.facts("far") if isinstance(fact, ReleaseAnswered)]


def waiting(postgres: Server, address: Address) -> str:
    return postgres.run("SELECT count(*) FROM gate WHERE NOT answered", address.database)


@pytest.mark.parametrize("listens", [True, False], ids=["listening", "by its look each second"])
async def test_it_is_answered_once_the_reading_is_in_hand_there(
    postgres: Server, postgres_journal: Address, listens: bool
) -> None:
    printers = {"near": FakePrinter(), "far": FakePrinter()}
    async with AsyncExitStack() as held:
        one, other = await two_workers(held, postgres_journal, printers, lambda name: name == "far", listens=listens)
        await until(lambda: _has_read(other, "far"))
        began = monotonic()
        taken = await one.world.start("R", 3, "far", wait_s=WAIT_S)
        assert (taken.outcome, taken.reading, taken.rest) == ("stored", "in-hand", "")
        assert monotonic() - began < WAIT_S / 2
        [answered] = await answers(other)
        assert answered.reading == "in-hand"
        assert other.world.sent_s("far")[-1] > began - 0.1
        assert waiting(postgres, postgres_journal) == "0"
    await require_right(postgres_journal)


async def test_it_is_told_that_the_meter_does_not_answer(postgres_journal: Address) -> None:
    printers = {"near": FakePrinter(), "far": FakePrinter(silent=True)}
    async with AsyncExitStack() as held:
        one, other = await two_workers(held, postgres_journal, printers, lambda name: name == "far")
        taken = await one.world.start("R", 3, "far", wait_s=WAIT_S)
        assert taken.reading == "failed"
        assert [answered.reading for answered in await answers(other)] == ["failed"]


async def test_with_rest_it_waits_for_the_releases_before_it(postgres_journal: Address) -> None:
    printers = {"near": FakePrinter(), "far": FakePrinter()}
    async with AsyncExitStack() as held:
        one, other = await two_workers(held, postgres_journal, printers, lambda name: name == "far")
        await until(lambda: _has_read(other, "far"))
        await one.world.start("R", 2, "far", wait_s=WAIT_S)
        printers["far"].print(one.world.now_s, 2, first_s=0.3, page_s=0.05)
        after = asyncio.ensure_future(one.world.start("S", 2, "far", wait_s=20.0, rest=True))
        await asyncio.sleep(0.5)
        assert not after.done()
        await one.world.end("R")
        taken = await after
        assert (taken.reading, taken.rest) == ("in-hand", "rested")
        assert [answered.rest for answered in await answers(other)] == ["", "rested"]


async def test_nobody_watches_the_printer(postgres: Server, postgres_journal: Address) -> None:
    printers = {"far": FakePrinter()}
    async with worker(postgres_journal, printers, lambda _: False, {}) as one:
        began = monotonic()
        taken = await one.world.start("R", 3, "far", wait_s=0.5, rest=True)
        assert (taken.outcome, taken.reading, taken.rest) == ("stored", "not-waited", "not-rested")
        assert monotonic() - began >= 0.5
        # As where the meter can't be read in time, the answer is this worker's own.
        assert [(answered.reading, answered.rest) for answered in await answers(one)] == [("not-waited", "not-rested")]
        assert postgres.run("SELECT count(*) FROM gate", postgres_journal.database) == "0"


async def test_a_sender_that_goes_away_is_waited_for_no_more(postgres: Server, postgres_journal: Address) -> None:
    printers = {"near": FakePrinter(), "far": FakePrinter(silent=True)}
    async with AsyncExitStack() as held:
        one, other = await two_workers(held, postgres_journal, printers, lambda name: name == "far")
        sending = asyncio.ensure_future(one.world.start("R", 3, "far", wait_s=WAIT_S))

        async def is_asked() -> bool:
            return bool(other.follower.answering._tasks)

        await until(is_asked)
        sending.cancel()
        with pytest.raises(asyncio.CancelledError):
            await sending
        assert postgres.run("SELECT count(*) FROM gate", postgres_journal.database) == "0"
        await asyncio.sleep(2.0)
        assert await answers(other) == []


async def test_both_doors_are_told_the_same_and_neither_sooner(postgres_journal: Address) -> None:
    """Whichever door stored it first: the watcher's own, or the other."""
    printers = {"near": FakePrinter(), "far": FakePrinter(latency_s=0.4)}
    async with AsyncExitStack() as held:
        workers = await two_workers(held, postgres_journal, printers, lambda name: name == "far")
        await until(lambda: _has_read(workers[1], "far"))
        for name in ("R", "S", "T", "U"):
            taken = await asyncio.gather(
                *(one.world.start(name, 3, "far", wait_s=WAIT_S, event=f"start-{name}") for one in workers)
            )
            assert sorted(one.outcome for one in taken) == ["duplicate", "stored"]
            assert [one.reading for one in taken] == ["in-hand", "in-hand"]
        assert len(await answers(workers[0])) == 4
        # What comes once more is told what was said.
        again = await workers[0].world.start("R", 3, "far", wait_s=WAIT_S, event="start-R")
        assert (again.outcome, again.reading) == ("duplicate", "in-hand")
