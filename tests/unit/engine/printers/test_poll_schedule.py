"""The schedule alone, in virtual time: when a read is due, and who has its answer."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

import pytest

from pagereeve.domain.facts.reading import Failure, Reading, Sight, SilenceReason
from pagereeve.domain.values.instants import FOREVER_US, SECOND_US
from pagereeve.engine.printers.open_windows import OpenWindows
from pagereeve.engine.printers.poll_schedule import GATES_MAX, GATES_SILENT_MAX, Gate, PollSchedule
from pagereeve.engine.printers.polling import PollPolicy
from tests.unit.engine.virtual import BEGIN_US, VirtualClock, passing

GOOD = Reading(1, 2, Sight(()))
BAD = Failure(1, 2, SilenceReason.TIMEOUT)


@dataclass
class HalfOfEverything:
    """A jitter of one half is none."""

    def request_id(self) -> int:
        return 1

    def jitter(self) -> float:
        return 0.5


def schedule() -> PollSchedule:
    return PollSchedule(VirtualClock(), HalfOfEverything(), PollPolicy())


def planned_s(one: PollSchedule, windows: OpenWindows, *, watch_until_us: int = 0, put_off_s: float = 0.0) -> float:
    one.plan(windows, watch_until_us=watch_until_us, put_off_s=put_off_s)
    return one.due_in_s()


def waiting(*, since_s: float = 0, due_s: float | None = None) -> OpenWindows:
    due_us = None if due_s is None else BEGIN_US + int(due_s * SECOND_US)
    return OpenWindows((BEGIN_US - int(since_s * SECOND_US),), due_us, quiet_until_us=FOREVER_US)


@pytest.mark.parametrize(
    ("due_s", "put_off_s", "next_s"), [(3.0, 0.0, 3.0), (-1.0, 0.0, 0.05), (-1.0, 8.0, 8.0), (9.0, 8.0, 9.0)]
)
def test_no_read_is_due_for_a_projection_that_is_put_off(due_s: float, put_off_s: float, next_s: float) -> None:
    async def story() -> None:
        one = schedule()
        planned_s(one, waiting(due_s=due_s))
        assert planned_s(one, waiting(due_s=due_s), put_off_s=put_off_s) == pytest.approx(next_s)

    passing(story())


def test_while_rows_gather_it_is_read_at_the_shortest_interval_which_begins_anew_once_they_are_made() -> None:
    async def story() -> None:
        one = schedule()
        one.stir()
        for _ in range(3):
            one.plan(OpenWindows(), watch_until_us=0, gathers=True)
            assert one.due_in_s() == pytest.approx(1.0)
        assert planned_s(one, waiting()) == pytest.approx(1.0)
        assert planned_s(one, waiting()) == pytest.approx(2.0)

    passing(story())


def test_a_read_is_due_when_its_time_has_come_or_somebody_asked() -> None:
    async def story() -> None:
        one = schedule()
        one.first_within(30.0)
        assert one.due_in_s() == 15.0
        assert not one.is_due()
        one.ask()
        assert one.is_due()
        assert one.begins() == 0
        assert not one.is_due()
        await asyncio.sleep(15)
        assert one.is_due()

    passing(story())


def test_a_fact_brings_the_read_forward_and_never_back() -> None:
    async def story() -> None:
        one = schedule()
        one.first_within(30.0)
        one.soon()
        assert one.due_in_s() == 1.0
        await asyncio.sleep(0.5)
        one.soon()
        assert one.due_in_s() == 0.5

    passing(story())


def test_intervals_grow_while_a_window_waits_and_begin_again_when_something_stirs() -> None:
    async def story() -> None:
        one = schedule()
        one.stir()
        assert [planned_s(one, waiting()) for _ in range(6)] == [1.0, 2.0, 4.0, 8.0, 10.0, 10.0]
        one.stir()
        assert [planned_s(one, waiting()) for _ in range(2)] == [1.0, 2.0]

    passing(story())


@pytest.mark.parametrize(
    ("windows", "watch_until_us", "seconds"),
    [
        (OpenWindows(), 0, 900.0),
        (OpenWindows(), BEGIN_US, 900.0),
        (OpenWindows(), BEGIN_US + 1, 2.0),
        (OpenWindows(unwitnessed=True), 0, 1.0),
        (waiting(due_s=3.0), 0, 3.0),
        (waiting(due_s=-3.0), 0, 0.05),
        (OpenWindows(due_us=BEGIN_US + SECOND_US), 0, 900.0),
    ],
)
def test_what_a_projection_waits_for_decides(windows: OpenWindows, watch_until_us: int, seconds: float) -> None:
    async def story() -> None:
        assert planned_s(schedule(), windows, watch_until_us=watch_until_us) == seconds

    passing(story())


def test_the_oldest_window_counts() -> None:
    async def story() -> None:
        one = schedule()
        both = OpenWindows((BEGIN_US, BEGIN_US - 700 * SECOND_US))
        assert [planned_s(one, both) for _ in range(7)][-1] == 60.0

    passing(story())


def test_failures_in_a_row_make_a_silent_printer_rare_and_one_reading_ends_them() -> None:
    async def story() -> None:
        one = schedule()
        seconds = []
        for result in (BAD, BAD, GOOD):
            one.ended(result, one.begins())
            seconds.append(planned_s(one, OpenWindows()))
        assert seconds == [60.0, 120.0, 900.0]

    passing(story())


def test_the_interval_runs_from_the_end_of_the_last_read() -> None:
    async def story() -> None:
        one = schedule()
        one.ended(GOOD, one.begins())
        await asyncio.sleep(5)
        assert planned_s(one, OpenWindows()) == 895.0

    passing(story())


def opened(schedule: PollSchedule) -> Gate:
    gate = schedule.open_gate(schedule.clock.monotonic_us())
    assert gate is not None
    return gate


def test_so_many_wait_at_one_printer_and_few_where_the_meter_is_silent() -> None:
    async def story() -> None:
        one = schedule()
        gates = [gate for gate in (one.open_gate(0) for _ in range(4_000)) if gate is not None]
        assert len(gates) == GATES_MAX
        one.ended(BAD, one.begins())
        assert one.open_gate(0) is None
        for gate in gates:
            one.close_gate(gate)
        assert sum(one.open_gate(0) is not None for _ in range(4_000)) == GATES_SILENT_MAX

    passing(story())


def test_a_gate_is_answered_by_a_read_that_was_sent_after_it_was_opened() -> None:
    async def story() -> None:
        one = schedule()
        sent_us = one.begins()
        await asyncio.sleep(1)
        gate = opened(one)
        one.ended(BAD, sent_us)
        assert not gate.answer.done()
        assert one.in_hand(gate.since_us) is None
        one.ended(GOOD, one.begins())
        assert await gate.answer is GOOD
        assert one.in_hand(gate.since_us) is GOOD
        # A second read must not answer it again.
        one.ended(BAD, one.begins())
        assert await gate.answer is GOOD

    passing(story())


def test_a_closed_gate_hears_nothing_and_the_others_do() -> None:
    async def story() -> None:
        one = schedule()
        left, stays = opened(one), opened(one)
        one.close_gate(left)
        one.ended(GOOD, one.begins())
        assert not left.answer.done()
        assert await stays.answer is GOOD

    passing(story())


@pytest.mark.parametrize(
    ("windows", "put_off"),
    [
        (OpenWindows(), True),
        (waiting(), True),
        (waiting(due_s=3.0), False),
        (waiting(due_s=700.0), True),
    ],
    ids=["a baseline", "a window's next look", "what closes a window", "long before it can close"],
)
def test_under_load_a_poll_that_can_wait_is_put_off_once(windows: OpenWindows, put_off: bool) -> None:
    async def story() -> None:
        one, pressed = schedule(), [False]
        one.pressed = lambda: pressed[0]
        await asyncio.sleep(planned_s(one, windows))
        assert one.is_due()
        one.ended(GOOD, one.begins())
        pressed[0] = True
        await asyncio.sleep(planned_s(one, windows))
        assert one.is_due() is not put_off
        if put_off:
            # Whoever asks, a gate or a notice, is served at once all the same.
            one.ask()
            assert one.is_due()
            one.begins()
            assert not one.is_due()
            assert one.due_in_s() == pytest.approx(15.0)
            await asyncio.sleep(one.due_in_s())
            assert one.is_due()

    passing(story())
