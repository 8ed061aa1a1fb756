"""A meter watched while a test job prints: when it moves, how it pauses, when it has come to rest."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from pagereeve.domain.reading import PrinterState, Reading
from pagereeve.ports.clock import Clock

SECOND_US = 1_000_000


@dataclass(slots=True)
class Watched:
    """``since_us`` is monotonic: the moment at which the last byte was sent. Times are those of the first reading that
    shows a movement, so they are late by one poll at most.
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
    *,
    poll_s: float,
    rest_s: float,
    longest_s: float,
) -> Watched:
    """Read until the count has stood still for ``rest_s`` with nothing printing, or ``longest_s`` have passed.

    A count that never moved is waited for to the end. A read that fails is not a rest.
    """
    began_us = clock.monotonic_us()
    watched = Watched(before, began_us, before, [])
    still_us = began_us
    while clock.monotonic_us() - began_us < longest_s * SECOND_US:
        reading = await read()
        now_us = clock.monotonic_us()
        count = None if reading is None else reading.sight.count("total")
        if reading is None or count is None or reading.sight.state in {PrinterState.PRINTING, PrinterState.WARMUP}:
            still_us = now_us
        if count is not None and count.value != watched.last:
            watched.last = count.value
            watched.moved_us.append(now_us)
            still_us = now_us
        if watched.moved_us and now_us - still_us >= rest_s * SECOND_US:
            watched.rested = True
            break
        await clock.sleep(poll_s)
    return watched
