"""Lines that wait for the daemon: in memory alone, and so many at most. What finds no room is counted."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Mapping
from itertools import count
from typing import Final

from pagereeve.ports.relay_link import Figures, RelayedLine
from pagereeve.relay.counts import Counts

BYTES_MAX: Final = 32 * 2**20
# What a line costs beside its bytes, so that many short ones are bounded as well.
LINE_COST_BYTES: Final = 512


class Spool:
    """One relay's lines, the oldest first: those that wait, and those that a daemon has and did not store yet."""

    def __init__(self, relay: str, lines_max: int, counts: Counts) -> None:
        self.relay = relay
        self.counts = counts
        self._lines_max = lines_max
        self._waiting: deque[RelayedLine] = deque()
        self._in_flight: dict[int, RelayedLine] = {}
        self._held_bytes = 0
        self._told: Mapping[str, int] = Counts().totals()
        self._open_told = 0
        self._figures: Figures | None = None

    def __len__(self) -> int:
        return len(self._waiting) + len(self._in_flight)

    @property
    def in_flight(self) -> int:
        return len(self._in_flight)

    def add(self, line: RelayedLine) -> None:
        """The newest is dropped where there is no room: those before it were first."""
        cost_bytes = len(line.content) + LINE_COST_BYTES
        if len(self) >= self._lines_max or self._held_bytes + cost_bytes > BYTES_MAX:
            self.counts.dropped_lines += 1
            return
        self._held_bytes += cost_bytes
        self.counts.lines += 1
        self._waiting.append(line)

    def next(self) -> RelayedLine | None:
        if not self._waiting:
            return None
        line = self._waiting.popleft()
        self._in_flight[line.number] = line
        return line

    def figures(self, number: int) -> Figures | None:
        """What changed, once the figures before are acknowledged; None where nothing did."""
        totals = self.counts.totals()
        same = totals == self._told and self.counts.connections_open == self._open_told
        if self._figures is not None or same:
            return None
        self._figures = Figures(
            number=number,
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
            self._held_bytes -= len(line.content) + LINE_COST_BYTES
        elif self._figures is not None and self._figures.number == number:
            self._told, self._open_told, self._figures = self._figures.totals, self._figures.connections_open, None

    def take_back(self) -> None:
        """The daemon is gone: what it did not acknowledge is sent again, in its old order."""
        self._waiting.extendleft(sorted(self._in_flight.values(), key=lambda line: -line.number))
        self._in_flight.clear()
        self._figures, self._open_told = None, 0


class Spools:
    """All relays' spools. ``changed`` is set whenever there may be something to send, ``emptied`` when less is held."""

    def __init__(self) -> None:
        self.by_relay: dict[str, Spool] = {}
        self.changed = asyncio.Event()
        self.emptied = asyncio.Event()
        self._numbers = count(1)

    def open(self, relay: str, lines_max: int, counts: Counts) -> Spool:
        spool = self.by_relay[relay] = Spool(relay, lines_max, counts)
        return spool

    def number(self) -> int:
        return next(self._numbers)

    def held(self) -> dict[str, int]:
        return {relay: len(spool) for relay, spool in self.by_relay.items()}

    def take_back(self) -> None:
        for spool in self.by_relay.values():
            spool.take_back()
        self.changed.set()
