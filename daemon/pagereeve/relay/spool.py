"""Lines that wait for the daemon: in memory alone, and so many at most. What finds no room is counted."""

from __future__ import annotations

import asyncio
from collections import OrderedDict, deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import count
from typing import Final

from pagereeve.ports.relay_link import Figures, RelayedLine
from pagereeve.relay.counts import Counts

BYTES_MAX: Final = 32 * 2**20
# What a line costs beside its bytes, so that many short ones are bounded as well.
LINE_COST_BYTES: Final = 512


@dataclass(slots=True)
class Held:
    """A line as ports.relay_link.RelayedLine has it; numbered when it is added. Lighter, since a flood makes many."""

    peer: str
    connection: int
    line: int
    at_us: int
    content: bytes = field(repr=False)
    too_long: bool = False
    number: int = 0


class Spool:
    """One relay's lines: those that wait, and those that a daemon has and did not store yet.

    Of each peer the oldest come first, and peers take turns. Where there is no room, the newest line of the peer with
    the most that wait is dropped: a gateway that floods us costs the others no line.
    """

    def __init__(self, relay: str, lines_max: int, counts: Counts, numbers: Iterator[int]) -> None:
        self.relay = relay
        self.counts = counts
        self._lines_max = lines_max
        self._numbers = numbers
        self._waiting: OrderedDict[str, deque[Held]] = OrderedDict()
        self._waits = 0
        self._in_flight: dict[int, Held] = {}
        self._held_bytes = 0
        self._told: Mapping[str, int] = Counts().totals()
        self._open_told = 0
        self._figures: Figures | None = None

    def __len__(self) -> int:
        return self._waits + len(self._in_flight)

    @property
    def in_flight(self) -> int:
        return len(self._in_flight)

    def add(self, line: Held) -> None:
        cost_bytes = _cost_bytes(line)
        while len(self) >= self._lines_max or self._held_bytes + cost_bytes > BYTES_MAX:
            self.counts.dropped_lines += 1
            if not self._drop_for(line.peer):
                return
        self._held_bytes += cost_bytes
        self.counts.lines += 1
        line.number = next(self._numbers)
        self._wait(line)

    def _wait(self, line: Held) -> None:
        self._waiting.setdefault(line.peer, deque()).append(line)
        self._waits += 1

    def _drop_for(self, peer: str) -> bool:
        """Make room by another's newest line, where its peer has more than this one. False: there is none."""
        most = max(self._waiting, key=lambda name: len(self._waiting[name]), default=peer)
        if most == peer or len(self._waiting[most]) <= len(self._waiting.get(peer, ())):
            return False
        self._held_bytes -= _cost_bytes(self._waiting[most].pop())
        self._waits -= 1
        return True

    def next(self) -> RelayedLine | None:
        if not self._waiting:
            return None
        peer, waiting = self._waiting.popitem(last=False)
        line = waiting.popleft()
        self._waits -= 1
        if waiting:
            self._waiting[peer] = waiting
        self._in_flight[line.number] = line
        return RelayedLine(
            number=line.number,
            relay=self.relay,
            peer=line.peer,
            connection=line.connection,
            line=line.line,
            at_us=line.at_us,
            content=line.content,
            too_long=line.too_long,
        )

    def figures(self) -> Figures | None:
        """What changed, once the figures before are acknowledged; None where nothing did."""
        totals = self.counts.totals()
        same = totals == self._told and self.counts.connections_open == self._open_told
        if self._figures is not None or same:
            return None
        self._figures = Figures(
            number=next(self._numbers),
            relay=self.relay,
            connections_open=self.counts.connections_open,
            totals=totals,
            told=self._told,
        )
        return self._figures

    def done(self, number: int) -> None:
        """Stored: it is held no longer. A number that is not in flight is none of ours."""
        line = self._in_flight.pop(number, None)
        if line is not None:
            self._held_bytes -= _cost_bytes(line)
        elif self._figures is not None and self._figures.number == number:
            self._told, self._open_told, self._figures = self._figures.totals, self._figures.connections_open, None

    def take_back(self) -> None:
        """The daemon is gone: what it did not acknowledge is sent again, in its old order."""
        for line in sorted(self._in_flight.values(), key=lambda line: -line.number):
            self._waiting.setdefault(line.peer, deque()).appendleft(line)
        self._waits += len(self._in_flight)
        self._in_flight.clear()
        self._figures, self._open_told = None, 0


def _cost_bytes(line: Held) -> int:
    return len(line.content) + LINE_COST_BYTES


class Spools:
    """All relays' spools. ``changed`` is set whenever there may be something to send, ``emptied`` when less is held."""

    def __init__(self) -> None:
        self.by_relay: dict[str, Spool] = {}
        self.changed = asyncio.Event()
        self.emptied = asyncio.Event()
        self._numbers = count(1)

    def open(self, relay: str, lines_max: int, counts: Counts) -> Spool:
        spool = self.by_relay[relay] = Spool(relay, lines_max, counts, self._numbers)
        return spool

    def held(self) -> dict[str, int]:
        return {relay: len(spool) for relay, spool in self.by_relay.items()}

    def take_back(self) -> None:
        for spool in self.by_relay.values():
            spool.take_back()
        self.changed.set()
