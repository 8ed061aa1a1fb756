"""What is sent while it is made: all of it, whatever the pace of who reads, and never more than there is room for."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest

from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.api.spool import CHUNK_BYTES, Spool, Spools
from pagereeve.console.api.spooled_answer import SpooledAnswer
from pagereeve.console.api.turns import LONG_AT_ONCE, Turns

SCOPE: dict[str, Any] = {"type": "http", "path": "/v1/exports/day", "asgi": {"spec_version": "2.3"}}
PARTS = [bytes([65 + nth]) * (CHUNK_BYTES // 2 + nth) for nth in range(20)]


@pytest.fixture
async def spools() -> AsyncIterator[Spools]:
    known = Spools(most=2, size_max_bytes=2**21)
    yield known
    assert known.open == 0


async def write(spool: Spool, stop: asyncio.Event | None = None) -> None:
    spool.begun()
    for nth, part in enumerate(PARTS):
        spool.file.write(part)
        spool.advance()
        await asyncio.sleep(0)
        if stop is not None and nth == 3:
            await stop.wait()


async def read_by(send: Any, spool: Spool, **more: Any) -> None:
    async def receive() -> Any:
        await asyncio.Event().wait()

    await SpooledAnswer(spool, "text/csv", {}, **more)(SCOPE, receive, send)


@pytest.mark.parametrize("at_its_end", [False, True])
async def test_all_of_it_is_sent_in_order(spools: Spools, at_its_end: bool) -> None:
    spool = spools.take(at_its_end=at_its_end)
    await spool.begin(write(spool))
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    await read_by(send, spool)
    assert sent[0]["status"] == 200
    assert b"".join(one["body"] for one in sent[1:]) == b"".join(PARTS)
    assert sent[-1]["more_body"] is False


async def test_what_is_written_is_sent_before_the_rest_is_unless_the_writer_goes_back(spools: Spools) -> None:
    stop = asyncio.Event()
    early, late = spools.take(), spools.take(at_its_end=True)
    for spool in (early, late):
        await spool.begin(write(spool, stop))
    with pytest.raises(ApiProblem, match="2 others"):
        spools.take()
    first = await anext(early.chunks())
    assert b"".join(PARTS).startswith(first)
    waiting = asyncio.ensure_future(anext(late.chunks()))
    await asyncio.sleep(0.05)
    assert not waiting.done()
    stop.set()
    assert await waiting
    await early.close()
    await late.close()


async def test_a_reader_that_stands_still_is_cut_off_and_the_making_had_not_waited_for_it(spools: Spools) -> None:
    spool, made = spools.take(), asyncio.Event()

    async def make() -> None:
        await write(spool)
        made.set()

    await spool.begin(make())
    sent = []

    async def send(message: Any) -> None:
        sent.append(message)
        if len(sent) == 3:
            await made.wait()
            await asyncio.Event().wait()

    await asyncio.wait_for(read_by(send, spool, stalled_s=0.1), 5)
    assert made.is_set()
    assert len(sent) == 3
    assert sent[-1]["more_body"] is True
    assert spool.file.closed


async def test_who_hangs_up_ends_the_making(spools: Spools) -> None:
    spool = spools.take()
    ended = asyncio.Event()

    async def make() -> None:
        try:
            await write(spool, asyncio.Event())
        finally:
            ended.set()

    async def receive() -> Any:
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        pass

    await spool.begin(make())
    await asyncio.wait_for(SpooledAnswer(spool, "text/csv", {})(SCOPE, receive, send), 5)
    assert ended.is_set()


async def test_what_goes_wrong_before_it_begins_is_raised_and_what_goes_wrong_later_breaks_it_off(
    spools: Spools,
) -> None:
    async def wrong() -> None:
        raise ApiProblem("bad-parameter", "period", "is wrong")

    spool = spools.take()
    with pytest.raises(ApiProblem, match="is wrong"):
        await spool.begin(wrong())
    await spool.close()

    async def too_long() -> None:
        for _ in range(4):
            await write(spool)

    spool = spools.take()
    await spool.begin(too_long())
    sent = []

    async def send(message: Any) -> None:
        sent.append(message)

    await read_by(send, spool)
    assert sent[-1].get("more_body") is not False
    assert sum(len(one.get("body", b"")) for one in sent) <= 2**21


async def test_few_that_take_long_leave_room_for_short_questions() -> None:
    turns = Turns(at_once=LONG_AT_ONCE + 1, question_s=1.0, long_s=0.2)
    begun = []

    async def long() -> None:
        async with turns.long_turn():
            begun.append(True)
            await asyncio.sleep(10)

    running = [asyncio.create_task(long()) for _ in range(LONG_AT_ONCE)]
    await asyncio.sleep(0)
    assert len(begun) == LONG_AT_ONCE
    with pytest.raises(ApiProblem) as refused:
        await long()
    assert refused.value.kind == "over-capacity"
    async with turns.turn():
        pass
    found = await asyncio.gather(*running, return_exceptions=True)
    assert [one.kind for one in found if isinstance(one, ApiProblem)] == ["too-slow"] * LONG_AT_ONCE
    async with turns.long_turn():
        pass
