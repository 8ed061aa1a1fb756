"""What a loop says of itself: it is stuck once it is longer at something than it said, and not before."""

from __future__ import annotations

import asyncio

from pagereeve.engine.supervision.heartbeat import GRACE_S, Heartbeat
from tests.unit.engine.virtual import BEGIN_US, VirtualClock, passing


def test_a_loop_that_has_not_begun_is_not_stuck_and_rests_not() -> None:
    async def story() -> None:
        one = Heartbeat(VirtualClock())
        one.called()
        assert (one.doing, one.since_us, one.success_us, one.failed) == ("has not begun", 0, None, False)
        await asyncio.sleep(10**6)
        assert not one.stuck

    passing(story())


def test_it_is_stuck_once_it_is_longer_at_something_than_it_said() -> None:
    async def story() -> None:
        one = Heartbeat(VirtualClock())
        one.does("stores", 60)
        await asyncio.sleep(60)
        assert not one.stuck
        await asyncio.sleep(1e-6)
        assert one.stuck
        assert (one.doing, one.since_us) == ("stores", BEGIN_US)
        one.does("reads", 5)
        assert not one.stuck

    passing(story())


def test_work_is_come_for_within_the_grace_while_it_rests_and_only_then() -> None:
    async def story() -> None:
        one = Heartbeat(VirtualClock())
        one.rests(600)
        await asyncio.sleep(600 + GRACE_S)
        assert not one.stuck
        one.rests(600)
        one.called()
        # Called twice, it has no longer than from the first call.
        await asyncio.sleep(GRACE_S / 2)
        one.called()
        assert one.doing == "was called and has not come"
        await asyncio.sleep(GRACE_S / 2)
        assert not one.stuck
        await asyncio.sleep(1e-6)
        assert one.stuck
        one.does("stores", 60)
        one.called()
        assert one.doing == "stores"

    passing(story())


def test_an_idle_round_is_no_success_after_a_failure() -> None:
    async def story() -> None:
        one = Heartbeat(VirtualClock())
        one.idled()
        assert one.success_us == BEGIN_US
        await asyncio.sleep(1)
        one.fails(5)
        one.idled()
        assert (one.success_us, one.failed) == (BEGIN_US, True)
        await asyncio.sleep(5 + GRACE_S)
        assert not one.stuck
        one.succeeded()
        assert (one.success_us, one.failed) == (BEGIN_US + 36_000_000, False)
        one.idled()
        assert not one.failed

    passing(story())
