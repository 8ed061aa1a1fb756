"""The intake as one connection of a line feed sees it: its address has a pace, and a line shows what it is for."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.feeds.buckets import Buckets
from pagereeve.ports.clock import Clock
from pagereeve.ports.intake import Accepted, BadgeLine, Envelope, Intake, RefusedInput

DAY_S: Final = 86_400.0
# All addresses together that are no gateway's: each line is stored, and looked at with those before it.
STRANGERS_PER_S: Final = 100.0
STRANGERS_BURST: Final = 300.0


class LinePace:
    """What each address may send: so many lines at once, then so many a second; of a day's lines, once they are used
    up, as many as time gives back.
    """

    def __init__(self, lines_per_s: float, lines_burst: float, lines_per_day: float, clock: Clock) -> None:
        self._pace = Buckets(lines_per_s, lines_burst)
        self._day = Buckets(lines_per_day / DAY_S, lines_per_day)
        self._strangers = Buckets(STRANGERS_PER_S, STRANGERS_BURST)
        self._clock = clock

    async def wait(self, peer: str, *, is_gateway: bool) -> None:
        """Returns when the next line may come."""
        await self._take(self._pace, peer)
        await self._take(self._day, peer)
        if not is_gateway:
            await self._take(self._strangers, "")

    async def _take(self, buckets: Buckets, key: str) -> None:
        while wait_s := buckets.take(key, self._now_s()):
            await self._clock.sleep(wait_s)

    def _now_s(self) -> float:
        return self._clock.monotonic_us() / SECOND_US


class PacedIntake:
    """Lines that come too fast wait, and with them their sender.

    ``on_line`` is called for each line that was accepted.
    """

    def __init__(
        self, intake: Intake, pace: LinePace, peer: str, on_line: Callable[[], None], *, is_gateway: bool
    ) -> None:
        self._intake = intake
        self._wait = partial(pace.wait, peer, is_gateway=is_gateway)
        self._on_line = on_line

    async def take(self, envelope: Envelope, *, feed: str, wait_s: float | None, rest: bool = False) -> Accepted:
        return await self._intake.take(envelope, feed=feed, wait_s=wait_s, rest=rest)

    async def badge_line(self, line: BadgeLine) -> Accepted:
        await self._wait()
        accepted = await self._intake.badge_line(line)
        self._on_line()
        return accepted

    async def refused(self, refused: RefusedInput) -> None:
        await self._wait()
        await self._intake.refused(refused)
