"""Stand-ins for tests of the feeds and of what is built on them: an intake in memory, and a clock that runs."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from pagereeve.domain.facts.events import event_of
from pagereeve.domain.facts.facts import Origin
from pagereeve.ports.intake import Accepted, BadgeLine, Envelope, RefusedInput


async def _at_once() -> None:
    return


@dataclass(slots=True)
class MemoryIntake:
    """Keeps what is submitted. ``before`` runs first at every call: let it wait, raise or hang to misbehave."""

    before: Callable[[], Awaitable[None]] = _at_once
    envelopes: dict[tuple[str, str], Envelope] = field(default_factory=dict)
    waits_s: list[float | None] = field(default_factory=list)
    badges: list[BadgeLine] = field(default_factory=list)
    kept_aside: list[RefusedInput] = field(default_factory=list)

    async def take(self, envelope: Envelope, *, feed: str, wait_s: float | None, rest: bool = False) -> Accepted:
        await self.before()
        del feed
        event_of(envelope.type, Origin(envelope.source, envelope.id, at_us=0, received_us=0), envelope.data)
        self.waits_s.append(wait_s)
        first = self.envelopes.setdefault((envelope.source, envelope.id), envelope)
        if first is not envelope:
            same = (first.type, first.data) == (envelope.type, envelope.data)
            return Accepted("duplicate" if same else "conflict")
        return Accepted("stored", reading="" if wait_s is None else "in-hand", rest="rested" if rest else "")

    async def badge_line(self, line: BadgeLine) -> Accepted:
        await self.before()
        self.badges.append(line)
        return Accepted("stored")

    async def refused(self, refused: RefusedInput) -> None:
        await self.before()
        self.kept_aside.append(refused)


class LoopClock:
    """The event loop's own time, as wall time that begins at ``begin_us``."""

    def __init__(self, begin_us: int = 1_800_000_000_000_000) -> None:
        self._begin_us = begin_us

    def now_us(self) -> int:
        return self._begin_us + self.monotonic_us()

    def monotonic_us(self) -> int:
        return int(asyncio.get_running_loop().time() * 1_000_000)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)
