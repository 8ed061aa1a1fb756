"""Gated starts that wait until the releases answered before them have come to rest. Times are monotonic.

Rest is what closes their windows; or sooner, what proves that all before is done, and parts it from what comes.
"""

from __future__ import annotations

import asyncio
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.brackets.timeline import EventKey
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.proven_rest import rests_provably
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import Clock

# Each holds a sender's request.
WAITERS_MAX: Final = 256
# One failed read is a glitch. After two the meter holds nobody.
FAILURES_MAX: Final = 2
# An answer becomes a fact within milliseconds, or never: what comes after it is not held up for it.
ANSWER_KEPT_US: Final = 5 * SECOND_US


@dataclass(eq=False, slots=True)
class Waiter:
    """``since_us`` is when its notice came. ``rested`` is set once the release of that start notice may begin: whether
    all before it had come to rest.
    """

    notice: EventKey
    since_us: int
    rested: asyncio.Future[bool]


@dataclass(slots=True)
class RestQueue:
    """First come, first answered, one at a time: who is answered prints, and the next one waits for that.

    ``_answered`` are those whose answer is no fact yet of the projection, each with the instant of its answer.
    """

    clock: Clock
    _waiters: tuple[Waiter, ...] = ()
    _answered: dict[EventKey, int] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self._waiters)

    def join(self, notice: EventKey, since_us: int) -> Waiter | None:
        """The last in the queue; ``answer`` or ``leave`` must follow. None: too many wait already."""
        if len(self._waiters) >= WAITERS_MAX:
            return None
        waiter = Waiter(notice, since_us, asyncio.get_running_loop().create_future())
        self._waiters = (*self._waiters, waiter)
        return waiter

    async def answer(self, waiter: Waiter, wait_s: float) -> bool:
        """Whether all before it came to rest within ``wait_s``; then it leaves the queue."""
        answered = False
        try:
            async with asyncio.timeout(wait_s):
                rested = await waiter.rested
            answered = True
        except TimeoutError:
            answered = True
            return False
        else:
            return rested
        finally:
            self.leave(waiter, answered=answered)

    def leave(self, waiter: Waiter, *, answered: bool) -> None:
        """``answered``: its sender is told now to go on, rested or not. Else it has gone away."""
        self._waiters = tuple(one for one in self._waiters if one is not waiter)
        if not answered:
            self._answered.pop(waiter.notice, None)
        elif waiter.notice not in self._answered:
            self._answered[waiter.notice] = self.clock.monotonic_us()

    def heard(self, notice: EventKey) -> None:
        """Its answer is a fact that the next projection knows."""
        self._answered.pop(notice, None)

    def look(self, view: Projected | None, read_us: int | None, failures: int) -> None:
        """After a projection: answer the first, if it is its turn. ``read_us``: when the last good read was sent."""
        if failures >= FAILURES_MAX:
            self.give_up()
        now_us = self.clock.monotonic_us()
        self._answered = {key: at_us for key, at_us in self._answered.items() if now_us - at_us < ANSWER_KEPT_US}
        if not self._waiters or self._answered or view is None or read_us is None:
            return
        first, waiting = self._waiters[0], {waiter.notice for waiter in self._waiters}
        if first.since_us > read_us:
            return
        if not any(_holds_up(window, waiting) for window in view.windows) or rests_provably(view, waiting):
            self._answer(first, rested=True)

    def give_up(self) -> None:
        """The meter does not answer: it holds nobody."""
        for waiter in self._waiters:
            self._answer(waiter, rested=False)

    def _answer(self, waiter: Waiter, *, rested: bool) -> None:
        self._waiters = tuple(one for one in self._waiters if one is not waiter)
        self._answered[waiter.notice] = self.clock.monotonic_us()
        if not waiter.rested.done():
            waiter.rested.set_result(rested)


def _holds_up(window: Window, waiting: AbstractSet[EventKey]) -> bool:
    """A release that may print and has not come to rest; those that wait themselves print nothing."""
    return window.closes_us is None and window.release.started.origin.key not in waiting
