"""Who is stored together: an event at once, a watcher's turn with the next event where events come often."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from pagereeve.store.records.fact_record import file
from pagereeve.store.records.requests import Append, Observe, StoreRequest
from pagereeve.store.sql.waiting_line import COMPANY_S, CROWD_S, OFTEN_S, PATIENT_MAX, Waiting, WaitingLine
from tests.journal_samples import badge, ended, started
from tests.unit.engine.virtual import passing

GROUP_MAX = 10
SHORT_S = COMPANY_S / 4


def event() -> StoreRequest[object]:
    return Append(file(badge("e")))


def turn() -> StoreRequest[object]:
    return Observe("printer-a", (), "{}")


def end() -> StoreRequest[object]:
    return Append(file(ended("e", "r")))


def put(line: WaitingLine, *requests: StoreRequest[object], since_us: int = 0) -> None:
    for request in requests:
        line.put(Waiting(request, asyncio.get_running_loop().create_future(), since_us))


def may_wait(group: Sequence[Waiting]) -> list[bool]:
    return [one.request.patience == "always" for one in group]


def now_s() -> float:
    return asyncio.get_running_loop().time()


async def one_came(line: WaitingLine) -> None:
    """An event was stored a moment ago."""
    put(line, event())
    assert may_wait(await line.group()) == [False]


def test_an_event_is_taken_at_once_and_first() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        put(line, turn(), event(), turn(), event())
        assert may_wait(await line.group()) == [False, False, True, True]
        assert now_s() == 0

    passing(story())


def test_a_start_waits_for_nobody_and_an_end_only_in_a_crowd() -> None:
    assert Append(file(started("s"))).patience == "none"
    assert end().patience == "in-a-crowd"


def test_an_end_is_taken_at_once_where_events_are_no_crowd() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        for _ in range(20):
            put(line, event())
            await line.group()
            put(line, end())
            began_s = now_s()
            assert len(await line.group()) == 1
            assert now_s() == began_s
            await asyncio.sleep(3 * CROWD_S)

    passing(story())


async def _crowd(line: WaitingLine) -> None:
    for _ in range(50):
        put(line, event())
        await line.group()
        await asyncio.sleep(CROWD_S / 4)


def test_an_end_waits_for_the_next_event_in_a_crowd_and_no_longer_than_a_moment() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        await _crowd(line)
        put(line, end())
        group = asyncio.create_task(line.group())
        await asyncio.sleep(SHORT_S)
        assert not group.done()
        put(line, event(), turn())
        assert [one.request.patience for one in await group] == ["none", "in-a-crowd", "always"]
        put(line, end())
        began_s = now_s()
        assert len(await line.group()) == 1
        assert now_s() == began_s + COMPANY_S
        await asyncio.sleep(OFTEN_S)
        put(line, end())
        began_s = now_s()
        assert len(await line.group()) == 1
        assert now_s() == began_s, "the crowd has left"

    passing(story())


def test_who_sends_one_after_the_other_is_held_up_by_little() -> None:
    """Start and end in turns, each when the one before it is stored: at least two events in CROWD_S."""

    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        for _ in range(200):
            for request in (event(), end()):
                put(line, request)
                await line.group()
                await asyncio.sleep(CROWD_S / 10)
        assert now_s() < 200 * 1.5 * CROWD_S

    passing(story())


def test_a_turn_is_taken_at_once_where_events_are_rare() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        put(line, turn())
        assert may_wait(await line.group()) == [True]
        assert now_s() == 0
        await one_came(line)
        await asyncio.sleep(2 * OFTEN_S)
        put(line, turn())
        assert may_wait(await line.group()) == [True]
        assert now_s() == 2 * OFTEN_S

    passing(story())


def test_a_turn_waits_for_the_next_event_where_they_come_often() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        await one_came(line)
        group = asyncio.create_task(line.group())
        put(line, turn())
        await asyncio.sleep(SHORT_S)
        put(line, turn())
        await asyncio.sleep(SHORT_S)
        assert not group.done()
        put(line, event())
        assert may_wait(await group) == [False, True, True]
        assert now_s() == 2 * SHORT_S

    passing(story())


def test_a_turn_waits_no_longer_than_a_moment() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        await one_came(line)
        put(line, turn())
        assert may_wait(await line.group()) == [True]
        assert now_s() == COMPANY_S

    passing(story())


def test_many_turns_wait_for_nobody_and_an_event_for_few_of_them() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        await one_came(line)
        put(line, *(turn() for _ in range(2 * PATIENT_MAX + 1)))
        assert may_wait(await line.group()) == [True] * PATIENT_MAX
        put(line, *(event() for _ in range(GROUP_MAX + 1)))
        assert may_wait(await line.group()) == [False] * GROUP_MAX + [True] * PATIENT_MAX
        assert may_wait(await line.group()) == [False, True]
        assert now_s() == 0

    passing(story())


def test_who_waits_at_the_end_is_taken_and_then_nobody() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        await one_came(line)
        group = asyncio.create_task(line.group())
        put(line, turn())
        await asyncio.sleep(SHORT_S)
        line.close()
        assert may_wait(await group) == [True]
        assert await line.group() == []
        assert now_s() == SHORT_S

    passing(story())


def test_a_line_that_was_emptied_meanwhile_goes_on() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        await one_came(line)
        group = asyncio.create_task(line.group())
        put(line, turn())
        await asyncio.sleep(SHORT_S)
        assert may_wait(line.all()) == [True]
        await asyncio.sleep(10 * COMPANY_S)
        assert not group.done()
        put(line, turn())
        assert may_wait(await group) == [True]

    passing(story())


def test_who_waits_for_company_is_not_told_as_waiting() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        await one_came(line)
        group = asyncio.create_task(line.group())
        put(line, turn(), since_us=5)
        await asyncio.sleep(SHORT_S)
        assert line.since_us is None
        put(line, event(), since_us=7)
        assert line.since_us == 7
        await group

    passing(story())


def test_the_oldest_in_line_is_known() -> None:
    async def story() -> None:
        line = WaitingLine(GROUP_MAX)
        put(line, event(), since_us=7)
        put(line, turn(), since_us=5)
        assert [line.since_us, len(line)] == [5, 2]
        line.all()
        assert [line.since_us, len(line)] == [None, 0]

    passing(story())
