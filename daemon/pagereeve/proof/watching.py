"""A meter watched while a test job prints: when it moves, how it pauses, when it has come to rest."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from pagereeve.domain.facts.reading import Reading
from pagereeve.ports.clock import Clock
from pagereeve.proof.counted import count_in

SECOND_US = 1_000_000


@dataclass(slots=True)
class Watched:
    """``since_us`` is monotonic: the moment at which the last byte was sent; a count may move before it. Times are
    those of the first reading that shows a movement, so they are late by one poll at most.
    """

    before: int
    since_us: int
    last: int
    moved_us: list[int]
    rested: bool = False

    @property
    def counted(self) -> int:
        return self.last - self.before

    @property
    def first_move_s(self) -> float | None:
        return (self.moved_us[0] - self.since_us) / SECOND_US if self.moved_us else None

    @property
    def last_move_s(self) -> float | None:
        return (self.moved_us[-1] - self.since_us) / SECOND_US if self.moved_us else None

    @property
    def longest_pause_s(self) -> float:
        pairs = zip(self.moved_us, self.moved_us[1:], strict=False)
        return max(((later - earlier) / SECOND_US for earlier, later in pairs), default=0.0)


async def watch(
    read: Callable[[], Awaitable[Reading | None]],
    clock: Clock,
    before: int,
    send: Callable[[Callable[[], None]], Awaitable[None]],
    *,
    poll_s: float,
    rest_s: float,
    longest_s: float,
) -> Watched:
    """``send``, and read until the count has not moved for ``rest_s``, or ``longest_s`` have passed.

    ``send`` receives what to call at the last byte; what it raises is raised. A count that never moved is waited for
    to the end. A read that fails is no rest, nor is a printer that prints, or that waits for paper or help.
    """
    watched = Watched(before, clock.monotonic_us(), before, [])

    def sent() -> None:
        watched.since_us = clock.monotonic_us()

    sending = asyncio.ensure_future(send(sent))
    try:
        await _follow(read, clock, watched, sending, poll_s=poll_s, rest_s=rest_s, longest_s=longest_s)
        await sending
    finally:
        sending.cancel()
    return watched


async def _follow(
    read: Callable[[], Awaitable[Reading | None]],
    clock: Clock,
    watched: Watched,
    sending: asyncio.Future[None],
    *,
    poll_s: float,
    rest_s: float,
    longest_s: float,
) -> None:
    began_us = still_us = clock.monotonic_us()
    while clock.monotonic_us() - began_us < longest_s * SECOND_US:
        reading = await read()
        now_us = clock.monotonic_us()
        count = None if reading is None else count_in(reading.sight)
        if reading is None or count is None or not reading.sight.resting:
            still_us = now_us
        if count is not None and count.value != watched.last:
            watched.last = count.value
            watched.moved_us.append(now_us)
            still_us = now_us
        if sending.done():
            sending.result()
            if watched.moved_us and now_us - max(still_us, watched.since_us) >= rest_s * SECOND_US:
                watched.rested = True
                return
        await clock.sleep(poll_s)
