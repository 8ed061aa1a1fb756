"""One worker's part of the work: it gives signs of life, takes what is its part, and lets go what is not.

The rule is engine/hints/fair_share.py. Duties go to whoever comes first, and stay there: they cost little, and whoever
gets one reads all that is known of it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Final, Protocol, Self

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.hints.fair_share import Group, given_up, groups_of, part_of, wanted
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.engine.supervision.supervisor import Supervisor, Work
from pagereeve.ports.clock import Clock
from pagereeve.ports.hints import DUTIES, RENEW_EVERY_S, Duty, Hint, Hints
from pagereeve.ports.journal import JournalUnavailable

AGAIN_S: Final = 1.0
"""After a sign of life that could not be given."""
STOOD_STILL_WAIT_S: Final = 5.0
"""So long a writer waits to hear whether it still holds what it writes of. Then it writes: that does no harm."""


class Watching(Protocol):
    """What becomes of printers that come and go."""

    def take_up(self, printers: Sequence[str]) -> None:
        """They are mine from now on."""
        ...

    async def let_go(self, printers: Sequence[str]) -> None:
        """They are to be somebody else's: all that was read is stored when this returns."""
        ...

    async def drop(self, printers: Sequence[str]) -> None:
        """They are somebody else's already: nothing more is written of them."""
        ...


@dataclass(frozen=True, slots=True)
class DutyWork:
    begin: Callable[[], Awaitable[None]]
    end: Callable[[], Awaitable[None]]

    @classmethod
    def of_task(cls, supervisor: Supervisor, kind: str, work: Work, heartbeat: Heartbeat) -> Self:
        """A task that goes on for as long as the duty is mine, under the name of its kind."""

        async def begin() -> None:
            supervisor.start(kind, kind, work, heartbeat=heartbeat, forever=True)

        return cls(begin, partial(supervisor.end, kind))


@dataclass(slots=True)
class HintKeeper:
    """``gateway_of`` names all printers, with the gateway before each ("" without one). ``is_away``: the database is;
    nobody gives signs of life then, and nobody takes anything. ``on_moved`` hears how many printers came, how many
    went, and how many are mine now.
    """

    hints: Hints
    clock: Clock
    gateway_of: Mapping[str, str]
    is_away: Callable[[], bool] = lambda: False
    on_moved: Callable[[int, int, int], None] = lambda *_: None
    watching: Watching | None = None
    heartbeat: Heartbeat = field(init=False)
    _mine: set[Hint] = field(default_factory=set)
    _watched: set[str] = field(default_factory=set)
    _duties: dict[Duty, DutyWork] = field(default_factory=dict)
    _begun: set[Duty] = field(default_factory=set)
    _until_us: int = 0
    _offered: bool = False
    _turn: asyncio.Lock = field(default_factory=asyncio.Lock)
    _called: asyncio.Event = field(default_factory=asyncio.Event)
    _renewed: asyncio.Event = field(default_factory=asyncio.Event)

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    @property
    def gate(self) -> Callable[[], Awaitable[None]] | None:
        """``held``; None where nobody else can be."""
        return None if self.hints.lifetime_s is None else self.held

    def holds(self, printer: str) -> bool:
        return Hint("printer", printer) in self._mine

    def does(self, duty: Duty) -> bool:
        return Hint("duty", duty) in self._mine

    async def open(self) -> None:
        """My first part, before anything watches or does it. Raises JournalUnavailable."""
        await self.hints.open(self._known())
        self._offered = True
        async with self._turn:
            await self._renew_and_share()

    async def watch(self, watching: Watching) -> None:
        """From now on it hears which printers come and go. What is mine already is watched already."""
        async with self._turn:
            self.watching, self._watched = watching, self._printers()

    async def undertake(self, duty: Duty, work: DutyWork) -> None:
        """From now on it is done whenever it is mine. Raises what its beginning raises."""
        async with self._turn:
            self._duties[duty] = work
            await self._begin_and_end_duties()

    async def change(self, gateway_of: Mapping[str, str]) -> None:
        """These are the printers from now on. My part of those that are new is mine on return; whoever calls has them
        watched, and ends what watches those that are gone. Raises JournalUnavailable.
        """
        async with self._turn:
            self.gateway_of, self._offered = dict(gateway_of), False
            watching, self.watching = self.watching, None
            try:
                await self._renew_and_share()
            finally:
                self.watching = watching
            self._watched = self._printers()

    async def run(self) -> None:
        while True:
            self.heartbeat.does("says that it is alive", STORE_LONGEST_S)
            try:
                async with self._turn:
                    await self._renew_and_share()
            except JournalUnavailable:
                # The journal's own watch tells of it. Who waits for it meanwhile does not make it come sooner.
                self.heartbeat.rests(AGAIN_S)
                await self.clock.sleep(AGAIN_S)
                continue
            self.heartbeat.succeeded()
            self.heartbeat.rests(RENEW_EVERY_S)
            with suppress(TimeoutError):
                async with asyncio.timeout(RENEW_EVERY_S):
                    await self._called.wait()
            self._called.clear()

    async def held(self) -> None:
        """To be called before something is written of a printer. Where the last sign of life is so old that it may be
        somebody else's, as this process stood still: once that is known, and what is lost has been dropped.
        """
        if self.clock.monotonic_us() < self._until_us or self.is_away():
            return
        self._renewed.clear()
        self._called.set()
        with suppress(TimeoutError):
            async with asyncio.timeout(STOOD_STILL_WAIT_S):
                await self._renewed.wait()

    async def close(self) -> None:
        """After all that watches has ended: everything is anybody's."""
        self._mine.clear()
        await self.hints.close()

    def _known(self) -> list[Hint]:
        return [*(Hint("duty", one) for one in DUTIES), *(Hint("printer", one) for one in self.gateway_of)]

    def _printers(self) -> set[str]:
        return {one.name for one in self._mine if one.kind == "printer"}

    async def _renew_and_share(self) -> None:
        if not self._offered:
            await self.hints.offer(self._known())
            self._offered = True
        sent_us = self.clock.monotonic_us()
        standing = await self.hints.renew()
        before = self._printers()
        self._mine = set(standing.mine)
        await self._drop()
        self._until_us = sent_us + int((self.hints.lifetime_s or 0.0) * SECOND_US)
        if self.clock.monotonic_us() < self._until_us:
            self._renewed.set()
        else:
            self._called.set()  # it stood still in between: what it knows now may be old again
        groups = groups_of(standing.me, standing.knows)
        await self._let_go(standing.me, groups)
        await self._take(standing.me, groups)
        self._take_up()
        await self._begin_and_end_duties()
        after = self._printers()
        if before != after:
            self.on_moved(len(after - before), len(before - after), len(after))

    async def _drop(self) -> None:
        """While this process stood still its signs grew old, and somebody took what it had."""
        lost = self._watched - self._printers()
        self._watched -= lost
        if lost and self.watching is not None:
            await self.watching.drop(sorted(lost))

    async def _let_go(self, me: int, groups: Sequence[Group]) -> None:
        if self.watching is None:
            return
        mine = self._printers()
        going = sorted(mine - self.gateway_of.keys())
        for group in groups:
            part = part_of(me, group.workers, len(group.printers))
            going += given_up(mine & group.printers, part, self.gateway_of)
        if going:
            self._watched.difference_update(going)
            await self.watching.let_go(going)
            hints = [Hint("printer", name) for name in going]
            self._mine.difference_update(hints)
            await self.hints.give_back(hints)

    async def _take(self, me: int, groups: Sequence[Group]) -> None:
        duties = [Hint("duty", one) for one in DUTIES if not self.does(one)]
        self._mine.update(await self.hints.take(duties, len(duties)))
        for group in groups:
            mine = self._printers() & group.printers
            part = part_of(me, group.workers, len(group.printers))
            if len(mine) < part:
                free = [Hint("printer", name) for name in wanted(mine, group.printers, self.gateway_of)]
                self._mine.update(await self.hints.take(free, part - len(mine)))

    def _take_up(self) -> None:
        """What is mine is watched, also where taking it failed half-way before."""
        new = self._printers() - self._watched
        if self.watching is not None and new:
            self._watched |= new
            self.watching.take_up(sorted(new))

    async def _begin_and_end_duties(self) -> None:
        for duty, work in self._duties.items():
            if duty in self._begun and not self.does(duty):
                self._begun.discard(duty)
                await work.end()
            elif duty not in self._begun and self.does(duty):
                await work.begin()
                self._begun.add(duty)
