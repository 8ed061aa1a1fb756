"""Resting until a call: no call is missed, and rest is told from death."""

from __future__ import annotations

import asyncio

from pagereeve.engine.supervision.heartbeat import GRACE_S, WAKE_EVERY_S, Heartbeat
from pagereeve.engine.supervision.wakeup import Wakeup, seconds_until
from tests.unit.engine.virtual import VirtualClock, passing


def wakeup() -> Wakeup:
    clock = VirtualClock()
    return Wakeup(clock, Heartbeat(clock))


def now_s(one: Wakeup) -> float:
    return one.clock.monotonic_us() / 1e6


def test_a_rest_ends_with_a_call_or_with_its_time() -> None:
    async def story() -> None:
        one = wakeup()
        asyncio.get_running_loop().call_later(100, one.call)
        assert await one.rest(1000)
        assert now_s(one) == 100
        one.clear()
        assert not await one.rest(150)
        assert now_s(one) == 250
        assert not await one.rest(0)
        assert now_s(one) == 250

    passing(story())


def test_a_call_made_before_the_rest_is_not_missed() -> None:
    async def story() -> None:
        one = wakeup()
        one.again()
        assert await one.rest()
        assert await one.rest(0)
        one.clear()
        assert not await one.rest(1)

    passing(story())


def test_a_rest_without_an_end_shows_that_it_lives_and_a_call_must_be_answered_soon() -> None:
    async def story() -> None:
        one = wakeup()
        task = asyncio.ensure_future(one.rest())
        for _ in range(20):
            await asyncio.sleep(WAKE_EVERY_S / 2)
            assert not one.heartbeat.stuck
        begun_us = one.clock.now_us() - int(WAKE_EVERY_S * 1e6)
        assert (one.heartbeat.success_us or 0) >= begun_us
        one.call()
        assert one.heartbeat.doing == "was called and has not come"
        assert await task
        await asyncio.sleep(GRACE_S + 1)
        assert one.heartbeat.stuck

    passing(story())


def test_an_instant_that_is_past_is_no_time_away() -> None:
    async def story() -> None:
        one = wakeup()
        await asyncio.sleep(5)
        assert (seconds_until(7_000_000, one.clock), seconds_until(1_000_000, one.clock)) == (2.0, 0.0)

    passing(story())
