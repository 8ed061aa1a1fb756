"""First stage: what a feed submitted becomes an event whose instant is decided. A badge number is still in clear."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field, replace
from sys import intern
from typing import Final

from pagereeve.domain.facts.events import NAME_MAX, event_of
from pagereeve.domain.facts.facts import BadgePresented, BadgeUnreadable, ClockMark, Event, Origin
from pagereeve.domain.facts.redating import NOT_AGREED
from pagereeve.domain.facts.source_clock import DELAYS_MAX, SourceClock
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.faults import Faults
from pagereeve.domain.values.instants import from_text
from pagereeve.domain.values.plain_text import refused_character, require_plain, require_plain_members
from pagereeve.engine.counters import UNKNOWN_MEMBER, EngineCounters
from pagereeve.ports.clock import Clock
from pagereeve.ports.intake import BadgeLine, Envelope, RefusedInput

SOURCES_MAX: Final = 1_024

OnClaim = Callable[[str, int, int], None]
"""A source, the time that it claims for an event, and when that was received."""
RecentDelays = Callable[[str, int], Awaitable[Sequence[tuple[int, int]]]]
"""A source's latest (occurred_us, received_us), at most so many, the earliest first."""


@dataclass(frozen=True, slots=True)
class Dated:
    """An event whose instant is decided. It may hold a badge number and a title: only the privacy stage opens it.

    ``named`` is False for a raw line: its id is only begun here, and the hash of its number completes it.
    ``remarks`` say what of the event was left out.
    """

    event: Event = field(repr=False)
    named: bool = True
    remarks: tuple[BadFact, ...] = ()


@dataclass(slots=True)
class Dating:
    """Knows the clocks of SOURCES_MAX sources; of others it asks the journal again.

    While our own clock is not ``agreed``, no claim can be judged by it: an event counts from its arrival.
    """

    clock: Clock
    recent_delays: RecentDelays
    counters: EngineCounters
    agreed: Callable[[], bool] = lambda: True
    on_claim: OnClaim | None = None
    _clocks: OrderedDict[str, SourceClock] = field(default_factory=OrderedDict)

    async def envelope(self, envelope: Envelope) -> Dated:
        """Raises BadFact for control characters, an unknown type, a time that is none, data that the type refuses."""
        for where, text in (("source", envelope.source), ("id", envelope.id), ("type", envelope.type)):
            require_plain(text, where)
        require_plain_members(envelope.data, "data")
        received_us = self.clock.now_us()
        occurred_us = None if envelope.time is None else from_text(envelope.time)
        # Sources are few, and each open window holds its own.
        origin = Origin(intern(envelope.source), envelope.id, received_us, received_us, occurred_us)
        faults = Faults()
        event = event_of(envelope.type, origin, envelope.data, faults)
        if self.on_claim is not None and occurred_us is not None:
            self.on_claim(envelope.source, occurred_us, received_us)
        at_us, mark = await self._judged(envelope.source, occurred_us, received_us)
        self.counters.clock_marks[mark or "as-claimed"] += 1
        dated = Origin(origin.source, origin.id, at_us, received_us, occurred_us, mark)
        for dropped in faults.dropped:
            self.counters.left_out[dropped.where] += 1
        if faults.strange:
            # Names from outside are no labels.
            self.counters.left_out[UNKNOWN_MEMBER] += len(faults.strange)
        return Dated(replace(event, origin=dated), remarks=tuple(faults.told()))

    def heard(self, origin: Origin) -> None:
        """Somebody else took it in: a clock that is known here shows itself there, too."""
        known = self._clocks.get(origin.source)
        if known is not None and origin.clock != NOT_AGREED:
            known.judge(origin.occurred_us, origin.received_us)

    def line(self, line: BadgeLine) -> Dated:
        """A raw line's instant is its arrival. Raises BadFact for what can be no badge number in any form."""
        if not line.badge or len(line.badge) > NAME_MAX or not line.badge.isprintable():
            found = refused_character(line.badge)
            held = f"; this one holds {found}" if found else ""
            raise BadFact("line", f"a badge number of 1 to {NAME_MAX} printable characters is needed{held}")
        origin = _line_origin(line.feed, line.gateway, line.received_us, line.name)
        return Dated(BadgePresented("", origin, line.badge, line.gateway, line.reader), named=bool(line.name))

    def refused(self, refused: RefusedInput) -> BadgeUnreadable:
        """Nothing of the sample is kept: it may be part of a badge number."""
        received_us = self.clock.now_us() if refused.received_us is None else refused.received_us
        origin = _line_origin(refused.feed, refused.gateway, received_us, refused.name)
        origin = replace(origin, id=f"{origin.id}-refused")
        return BadgeUnreadable(origin, refused.gateway, refused.reason, refused.reader)

    async def _judged(self, source: str, occurred_us: int | None, received_us: int) -> tuple[int, ClockMark]:
        if not self.agreed():
            return received_us, NOT_AGREED
        return (await self._clock(source)).judge(occurred_us, received_us)

    async def _clock(self, source: str) -> SourceClock:
        known = self._clocks.get(source)
        if known is None:
            known = SourceClock()
            for occurred_us, received_us in await self.recent_delays(source, DELAYS_MAX):
                known.judge(occurred_us, received_us)
            self._clocks[source] = known
            if len(self._clocks) > SOURCES_MAX:
                self._clocks.popitem(last=False)
        self._clocks.move_to_end(source)
        return known


def _line_origin(feed: str, gateway: str, received_us: int, name: str) -> Origin:
    """Of what came without a time and an id of its own: its feed, and its name or else its arrival and gateway are its
    identity. A line with a name is the same line whenever it is handed in again, after a form was changed, say.
    """
    identity = name or f"{received_us:017d}-{gateway}"
    return Origin(f"urn:pagereeve:feed:{feed}", identity, received_us, received_us, None, "missing")
