"""A meter watched while a job is sent, in virtual time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import pytest

from pagereeve.domain.facts.reading import Count, PrinterState, Reading, Sight, Unit
from pagereeve.proof.watching import Watched, watch

SECOND_US = 1_000_000


class VirtualClock:
    """Time passes only where somebody sleeps."""

    def __init__(self) -> None:
        self.us = 5 * SECOND_US

    def now_us(self) -> int:
        return self.us

    def monotonic_us(self) -> int:
        return self.us

    async def sleep(self, seconds: float) -> None:
        self.us += int(seconds * SECOND_US)
        await asyncio.sleep(0)


async def watched_over(
    steps: dict[float, int],
    *,
    last_byte_s: float = 0.0,
    closed_s: float = 0.0,
    errors: tuple[str, ...] = (),
    printing_until_s: float = 0.0,
    silent: tuple[float, float] = (0.0, 0.0),
) -> Watched:
    """``steps``: the count from a second on. The last byte goes, and the connection ends, at those seconds."""
    clock = VirtualClock()
    began_us = clock.us

    def now_s() -> float:
        return (clock.us - began_us) / SECOND_US

    async def read() -> Reading | None:
        if silent[0] <= now_s() < silent[1]:
            return None
        count = max((value for at_s, value in steps.items() if at_s <= now_s()), default=100)
        state = PrinterState.PRINTING if now_s() < printing_until_s else PrinterState.IDLE
        return Reading(clock.us, clock.us, Sight((("total", Count(count, Unit.IMPRESSIONS)),), "", "", state, errors))

    async def send(on_sent: Callable[[], None]) -> None:
        while now_s() < last_byte_s:  # noqa: ASYNC110 - virtual time has no events
            await asyncio.sleep(0)
        on_sent()
        while now_s() < closed_s:  # noqa: ASYNC110 - virtual time has no events
            await asyncio.sleep(0)

    return await watch(read, clock, 100, send, poll_s=0.5, rest_s=3.0, longest_s=60.0)


async def test_times_count_from_the_last_byte_even_where_the_connection_stays_open() -> None:
    seen = await watched_over({2.0: 101, 4.5: 102}, last_byte_s=1.0, closed_s=6.0)
    assert (seen.counted, seen.rested) == (2, True)
    assert (seen.first_move_s, seen.last_move_s, seen.longest_pause_s) == (1.0, 3.5, 2.5)


async def test_a_count_that_moves_while_data_still_flow_moved_before_the_last_byte() -> None:
    seen = await watched_over({2.0: 101, 4.0: 102}, last_byte_s=4.5)
    assert (seen.first_move_s, seen.last_move_s) == (-2.5, -0.5)


@pytest.mark.parametrize(
    ("more", "rested"),
    [
        ({}, True),
        ({"errors": ("noPaper",)}, False),
        ({"errors": ("lowToner",)}, True),
        ({"printing_until_s": 90.0}, False),
        ({"silent": (2.0, 90.0)}, False),
    ],
)
async def test_a_printer_that_waits_prints_or_is_silent_does_not_rest(more: dict[str, object], *, rested: bool) -> None:
    seen = await watched_over({1.0: 101}, **more)  # type: ignore[arg-type]
    assert seen.rested is rested
    assert seen.counted == 1


async def test_what_sending_raises_is_raised() -> None:
    async def read() -> Reading | None:
        return None

    async def send(_: Callable[[], None]) -> None:
        raise ConnectionResetError("the gateway hung up")

    with pytest.raises(ConnectionResetError, match="hung up"):
        await watch(read, VirtualClock(), 1, send, poll_s=0.5, rest_s=1.0, longest_s=5.0)
