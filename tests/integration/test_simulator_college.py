"""The college as a whole: real sockets, a short story, and the truth afterwards."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.simulator.college.college import COMMUNITY, College
from pagereeve.simulator.college.scenario import Scenario
from pagereeve.simulator.errors import BadScenario
from pagereeve.simulator.site.release_server import HeldJob


@asynccontextmanager
async def standing(seed: int = 7) -> AsyncIterator[College]:
    college = College(seed, SystemClock())
    await college.start()
    try:
        yield college
    finally:
        await college.stop()


async def rested(college: College, within_s: float = 10.0) -> None:
    await asyncio.sleep(0.2)
    async with asyncio.timeout(within_s):
        while not college.resting():  # noqa: ASYNC110 - virtual time tells nobody
            await asyncio.sleep(0.02)


async def a_short_story(college: College) -> None:
    gateway = college.printer("art-studio").place.gateway
    college.hold(HeldJob("job-1", "user-anise", "art-studio", 4, copies=2))
    college.badge("user-anise", gateway)
    college.release_unbadged(HeldJob("job-2", "user-birch", "registry", 5))
    await college.print_past_queue("bursary", 3)
    college.copy("library-upper", 2)
    await rested(college)


async def test_every_printer_is_reached_through_its_own_port_of_its_gateway() -> None:
    async with standing() as college:
        settings = college.settings()
        assert len(settings.printers) == 10
        assert len({(one.host, one.port) for one in settings.printers}) == 10
        assert {one.gateway for one in settings.printers} == set(settings.gateways)
        assert len(settings.people) == len({person.badge for person in settings.people}) == 25
        assert COMMUNITY not in repr(settings)
        assert not any(person.badge in repr(settings) for person in settings.people)


async def test_the_truth_tells_releases_from_strays_and_the_meters_agree() -> None:
    async with standing() as college:
        before = {name: college.printer(name).engine.meter(0) for name in college.printers}
        await a_short_story(college)
        await asyncio.sleep(0.6)
        truth = college.truth()
        now_us = SystemClock().now_us()
        for name in college.printers:
            assert college.printer(name).engine.meter(now_us) - before[name] == truth[name].marked
        assert truth["art-studio"].by_job == {"job-1.1": 8}
        assert truth["registry"].by_job == {"job-2.1": 5}
        assert truth["bursary"].by_cause == {"past-queue": 3}
        assert truth["library-upper"].by_cause == {"copy": 2}
        assert truth["science-lab"].marked == 0


async def test_the_same_seed_gives_the_same_college_and_the_same_truth() -> None:
    told = []
    for _ in range(2):
        async with standing(seed=3) as college:
            await a_short_story(college)
            told.append((college.truth(), college.people))
    assert told[0] == told[1]
    async with standing(seed=4) as college:
        assert college.people != told[0][1]


async def test_badge_lines_go_where_they_are_pointed() -> None:
    taken: asyncio.Queue[bytes] = asyncio.Queue(maxsize=1)

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await taken.put(await reader.readline())
        writer.close()

    server = await asyncio.start_server(take, "127.0.0.1", 0)
    async with standing() as college:
        await college.point_badges("art", server.sockets[0].getsockname()[:2])
        college.badge("user-dill", "art")
        async with asyncio.timeout(5):
            line = await taken.get()
        badge = next(person.badge for person in college.people if person.login == "user-dill")
        assert line == f"{badge}\r\n".encode()
        assert college.badge_address("art") != server.sockets[0].getsockname()[:2]
    server.close()
    await server.wait_closed()


async def test_unknown_names_are_refused_with_what_there_is() -> None:
    async with standing() as college:
        with pytest.raises(BadScenario, match="library-ground"):
            college.jam("nowhere")
        with pytest.raises(BadScenario, match="offices"):
            college.badge("user-anise", "nowhere")
        with pytest.raises(BadScenario, match="nobody"):
            college.badge("user-nobody", "art")


async def test_a_college_at_rest_leaves_no_task_behind_and_costs_next_to_nothing() -> None:
    tasks = asyncio.all_tasks()
    async with standing() as college:
        await a_short_story(college)
        began_s = time.process_time()
        await asyncio.sleep(1.0)
        assert time.process_time() - began_s < 0.1
    await asyncio.sleep(0)
    assert asyncio.all_tasks() == tasks


async def test_a_scenario_runs_its_steps_in_order_of_time_and_awaits_them() -> None:
    told: list[str] = []

    async def later() -> None:
        await asyncio.sleep(0)
        told.append("later")

    scenario = Scenario(1).at(0.1, later, "b").at(0.0, lambda: told.append("first"), "a")
    scenario.at(0.1, lambda: told.append("last"), "c")
    seen: list[str] = []
    await scenario.run(SystemClock(), lambda step: seen.append(step.what))
    assert (told, seen, scenario.length_s) == (["first", "later", "last"], ["a", "b", "c"], 0.1)
    with pytest.raises(BadScenario, match="before the start"):
        scenario.at(-1, later)
