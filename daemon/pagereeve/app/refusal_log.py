"""Tells the log what the endpoints refuse for its cost: when it begins, when it is over, and now and then how often."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Final

from pagereeve.feeds.refusals import Reason
from pagereeve.ports.clock import Clock
from pagereeve.ports.telemetry import FeedTelemetry
from pagereeve.telemetry.repeated import Repeated, Speaker

LOOK_EVERY_S: Final = 30.0
# Of what a sender may be refused for, these are about its cost; the others are about what it says, and it is told so.
COSTS: Final[frozenset[Reason]] = frozenset(
    {"bad-http", "head-too-large", "too-slow", "too-many-requests", "over-quota", "unauthorized", "misdirected"}
)

Figures = Mapping[str, Callable[[], FeedTelemetry]]


class RefusalLog:
    """Looks at the feeds' counters, never at single refusals: a flood makes no more lines than one connection."""

    def __init__(self, feeds: Figures, speaker: Speaker, clock: Clock) -> None:
        self._feeds = feeds
        self._repeated = Repeated(speaker, clock)
        self._before: dict[tuple[str, str], int] = {}
        self._next: asyncio.TimerHandle | None = None

    def start(self) -> None:
        self._next = asyncio.get_running_loop().call_later(LOOK_EVERY_S, self._go_on)

    def stop(self) -> None:
        if self._next is not None:
            self._next.cancel()

    def _go_on(self) -> None:
        self.start()
        self.look()

    def look(self) -> None:
        """Note for each feed and reason whether something was refused since the last look."""
        for feed, figures in self._feeds.items():
            for reason, count in _of_cost(figures()).items():
                key = (feed, reason)
                grown = count - self._before.get(key, 0)
                if key in self._before or grown:
                    state = "refuses" if grown else "ok"
                    self._repeated.note(f"{feed}: {reason}", state, "feed", feed=feed, reason=reason, refused=grown)
                    self._before[key] = count


def _of_cost(figures: FeedTelemetry) -> dict[str, int]:
    refused = {reason: count for reason, count in figures.refused.items() if reason in COSTS}
    return refused | dict(figures.connections_refused)
