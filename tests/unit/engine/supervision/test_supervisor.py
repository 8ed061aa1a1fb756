"""What fails, is stuck, or ended unseen is named, counted and dated
(keephq/keep#6552, diegosouzapw/OmniRoute#10661).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from itertools import pairwise
from typing import Any

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.heartbeat import GRACE_S, WAKE_EVERY_S, Heartbeat
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.engine.supervision.wal_trimming import CHECKPOINT_EVERY_S, WalTrimmer
from pagereeve.engine.supervision.watchdog import CHECK_EVERY_S, TURN_S, WRITE_LONGEST_S, Watchdog
from tests.unit.engine.virtual import BEGIN_US, VirtualClock, passing
from tests.unit.engine.world import FakePrinter, World

FOREVER_S = 10**6
Story = Callable[[], Coroutine[Any, Any, None]]


def a_supervisor(told: list[str] | None = None) -> Supervisor:
    heard = [] if told is None else told
    return Supervisor(VirtualClock(), lambda name, error: heard.append(f"{name}: {error}"))


def test_a_loop_that_returns_is_counted_told_and_begun_again() -> None:
    async def story() -> None:
        told: list[str] = []
        supervisor = a_supervisor(told)
        begun: list[int] = []

        async def work() -> None:
            begun.append(1)
            if len(begun) == 2:
                await asyncio.sleep(FOREVER_S)

        supervisor.start("kind", "a loop", work, forever=True)
        await asyncio.sleep(0.1)
        assert supervisor.troubles() == [
            "a loop fails since 2025-10-09T08:53:20.000000Z (EndedUnseen) and is restarted; see the log"
        ]
        await asyncio.sleep(10)
        assert (len(begun), supervisor.ends["kind"], supervisor.restarts["kind"]) == (2, 1, 1)
        assert told == ["a loop: it returned, and should go on forever"]
        assert supervisor.troubles() == []
        await supervisor.stop()

    passing(story())


def test_a_cancellation_from_inside_is_a_failure() -> None:
    async def story() -> None:
        told: list[str] = []
        supervisor = a_supervisor(told)

        async def work() -> None:
            lost: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            if not told:
                lost.cancel()
                await lost
            await asyncio.sleep(FOREVER_S)

        supervisor.start("kind", "a loop", work, forever=True)
        await asyncio.sleep(10)
        assert told == ["a loop: it was cancelled from inside"]
        assert (supervisor.ends["kind"], supervisor.restarts["kind"]) == (1, 1)
        await supervisor.stop()

    passing(story())


def test_a_loop_that_somebody_cancelled_stays_ended_and_is_named() -> None:
    async def story() -> None:
        supervisor = a_supervisor()
        task = supervisor.start("kind", "a loop", lambda: asyncio.sleep(FOREVER_S), forever=True)
        await asyncio.sleep(2)
        task.cancel()
        await asyncio.sleep(1)
        assert supervisor.troubles() == ["a loop ended at 2025-10-09T08:53:22.000000Z and is not restarted"]
        assert supervisor.stalled_kinds() == ["kind"]
        assert supervisor.ends["kind"] == 1
        await supervisor.stop()

    passing(story())


def test_stopping_is_no_end_unseen() -> None:
    async def story() -> None:
        supervisor = a_supervisor()
        supervisor.start("kind", "a loop", lambda: asyncio.sleep(FOREVER_S), forever=True)
        await asyncio.sleep(1)
        await supervisor.stop()
        assert (supervisor.ends, supervisor.troubles()) == ({}, [])

    passing(story())


def test_a_failure_is_over_once_the_work_succeeded_and_not_when_it_was_begun_again() -> None:
    async def story() -> None:
        supervisor = a_supervisor()
        heartbeat = Heartbeat(supervisor.clock)
        begun: list[int] = []

        async def work() -> None:
            begun.append(1)
            await asyncio.sleep(5)
            if len(begun) < 3:
                raise OSError("an invented fault")
            heartbeat.succeeded()
            heartbeat.rests(FOREVER_S)
            await asyncio.sleep(FOREVER_S)

        supervisor.start("kind", "a loop", work, heartbeat=heartbeat, forever=True)
        for at_s in (5.1, 8, 11, 14):
            await asyncio.sleep(at_s - supervisor.clock.monotonic_us() / SECOND_US)
            (trouble,) = supervisor.troubles()
            assert trouble.startswith("a loop fails since 2025-10-09T08:53:25"), trouble
        await asyncio.sleep(10)
        assert (len(begun), supervisor.troubles()) == (3, [])
        assert supervisor.last_success_us() == {"kind": BEGIN_US + 16_500_000}
        await supervisor.stop()

    passing(story())


def test_a_watcher_whose_read_never_returns_is_named_and_the_others_go_on() -> None:
    async def story() -> None:
        async with World(printers={"p": FakePrinter(), "q": FakePrinter()}) as world:
            await world.passes(5)
            assert world.supervisor.troubles() == []
            stuck: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
            answers = world.meter.read

            async def read(target: Any, timeout_s: float) -> Any:
                return await (stuck if target.printer == "p" else answers(target, timeout_s))

            world.meter.read = read  # type: ignore[method-assign]
            world.watcher("p").ask_for_reading()
            await world.passes(1 + world.poll_policy.timeout_s + GRACE_S)
            (trouble,) = world.supervisor.troubles()
            assert trouble == "printer p is stuck since 2025-10-09T08:53:25.000000Z: it waits for its meter"
            assert world.supervisor.stalled_kinds() == []
            world.meter.read = lambda *_: stuck  # type: ignore[method-assign,assignment]
            world.watcher("q").ask_for_reading()
            await world.passes(1 + world.poll_policy.timeout_s + GRACE_S)
            assert world.supervisor.stalled_kinds() == ["printers"]

    passing(story())


def test_an_exception_in_the_poll_loop_shows_at_once() -> None:
    # keephq/keep#6552: unhealthy within one interval.
    async def story() -> None:
        async with World() as world:
            await world.passes(5)

            async def read(*_: object) -> Any:
                raise RuntimeError("an invented fault")

            world.meter.read = read  # type: ignore[method-assign,assignment]
            world.watcher().ask_for_reading()
            await world.passes(0.01)
            (trouble,) = world.supervisor.troubles()
            assert trouble.startswith("printer p fails since 2025-10-09T08:53:25")
            await world.passes(600)
            assert len(world.supervisor.troubles()) == 1

    passing(story())


def test_days_of_rest_are_no_trouble_and_every_loop_comes_round() -> None:
    async def story() -> None:
        async with World() as world:
            world.supervisor.start(
                "badges", "badges", world.badge_watcher.run, heartbeat=world.badge_watcher.heartbeat, forever=True
            )
            for _ in range(48):
                await world.passes(3600)
                assert world.supervisor.troubles() == []
                for kind in ("printers", "badges"):
                    age_us = world.clock.now_us() - world.supervisor.last_success_us()[kind]
                    assert age_us <= (WAKE_EVERY_S + 5) * SECOND_US, kind

    passing(story())


def test_a_badge_watcher_that_is_called_and_does_not_come_is_stuck() -> None:
    async def story() -> None:
        async with World() as world:
            heartbeat = world.badge_watcher.heartbeat
            heartbeat.rests(FOREVER_S)
            heartbeat.called()
            await world.passes(GRACE_S + 1)
            assert heartbeat.stuck

    passing(story())


def test_a_checkpoint_that_hangs_is_stuck() -> None:
    async def story() -> None:
        supervisor = a_supervisor()

        async def hangs() -> bool:
            await asyncio.sleep(FOREVER_S)
            return True

        wal_trimmer = WalTrimmer(supervisor.clock, hangs)
        supervisor.start("wal", "wal", wal_trimmer.run, heartbeat=wal_trimmer.heartbeat, forever=True)
        await asyncio.sleep(CHECKPOINT_EVERY_S + 59)
        assert supervisor.stalled_kinds() == []
        await asyncio.sleep(2)
        assert supervisor.stalled_kinds() == ["wal"]
        await supervisor.stop()

    passing(story())


def a_watchdog(supervisor: Supervisor, changes: list[list[str]], waits_since_us: list[int | None]) -> Watchdog:
    return Watchdog(supervisor.clock, supervisor, lambda: waits_since_us[0], changes.append)


def test_pings_go_on_while_idle_and_end_while_a_write_waits() -> None:
    async def story() -> None:
        supervisor, waits = a_supervisor(), [None]  # type: tuple[Supervisor, list[int | None]]
        changes: list[list[str]] = []
        pings: list[float] = []
        watchdog = a_watchdog(supervisor, changes, waits)
        watchdog.feed(lambda: pings.append(supervisor.clock.monotonic_us() / SECOND_US), 30.0)
        supervisor.start("watchdog", "watchdog", watchdog.run, forever=True)
        await asyncio.sleep(600)
        gaps = [later - earlier for earlier, later in pairwise(pings)]
        assert max(gaps) <= min(10.0, CHECK_EVERY_S) + 2 * TURN_S
        waits[0] = supervisor.clock.monotonic_us()
        await asyncio.sleep(WRITE_LONGEST_S + 10)
        assert changes == [["a write waits for the journal and is not stored"]]
        count = len(pings)
        await asyncio.sleep(60)
        assert len(pings) == count
        waits[0] = None
        await asyncio.sleep(6)
        assert len(pings) > count
        assert changes[-1] == []
        await supervisor.stop()

    passing(story())


def test_no_ping_for_a_turn_that_took_longer_than_the_interval() -> None:
    async def story() -> None:
        supervisor = a_supervisor()
        pings: list[int] = []
        watchdog = a_watchdog(supervisor, [], [None])
        watchdog.feed(lambda: pings.append(1), 10.0)
        began_us = supervisor.clock.monotonic_us()
        await asyncio.sleep(12)
        watchdog.turn(began_us)
        assert (pings, watchdog.lag_s()) == ([], 12 - TURN_S)
        await asyncio.sleep(61)
        assert watchdog.lag_s() == 0

    passing(story())


def test_a_printer_whose_watcher_was_ended_gets_another_with_its_meter() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(5)
            (task,) = [one for one in world.supervisor.tasks if one.get_name() == "printer p"]
            task.cancel()
            await world.passes(1)
            assert world.supervisor.stalled_kinds() == ["printers"]
            await world.release("r1")
            ledger = await world.ledger()
            assert [one.counted for one in ledger.charges] == [3]
            assert (world.supervisor.troubles(), world.supervisor.ends["printers"]) == ([], 1)

    passing(story())


def test_kinds_are_counted_from_the_start_and_many_troubles_are_one_line() -> None:
    async def story() -> None:
        supervisor = Supervisor(VirtualClock(), lambda *_: None, ("kind", "idle"))
        assert (supervisor.trouble(), supervisor.telemetry().restarts) == ("", {"kind": 0, "idle": 0})

        async def fails() -> None:
            raise ValueError

        for nth in range(7):
            supervisor.start("kind", f"loop {nth}", fails, forever=True)
        await asyncio.sleep(0.1)
        trouble = supervisor.trouble()
        assert trouble.startswith("7 not at work: loop 0 fails since ")
        assert trouble.endswith("; and 2 more")
        assert "loop 4 " in trouble
        assert "loop 5 " not in trouble
        shown = supervisor.telemetry()
        assert (shown.restarts, shown.ends, shown.success_us) == ({"kind": 7, "idle": 0}, {"kind": 0, "idle": 0}, {})
        await supervisor.stop()

    passing(story())


def test_an_end_that_was_ordered_is_no_end_unseen() -> None:
    async def story() -> None:
        told: list[str] = []
        supervisor = a_supervisor(told)
        tasks = [supervisor.start("kind", name, lambda: asyncio.sleep(FOREVER_S), forever=True) for name in "ab"]
        await asyncio.sleep(1)
        await supervisor.end("a")
        await supervisor.end("nobody")
        assert [task.done() for task in tasks] == [True, False]
        assert (told, supervisor.troubles(), sum(supervisor.ends.values())) == ([], [], 0)
        again = supervisor.start("kind", "a", lambda: asyncio.sleep(FOREVER_S), forever=True)
        await asyncio.sleep(1)
        assert not again.done()
        await supervisor.stop()

    passing(story())
