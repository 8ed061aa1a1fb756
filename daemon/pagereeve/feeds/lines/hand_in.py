"""What becomes of one line: its badge number is decoded and submitted, or it is refused. Its errors stay inside."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.splitting import Line, Spoilt
from pagereeve.feeds.kind import OnError
from pagereeve.feeds.lines.badge_text import BadgeFrame
from pagereeve.feeds.masking import masked_line
from pagereeve.feeds.refusals import KEEP_ASIDE_S, Reason, Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.clock import Clock
from pagereeve.ports.intake import BadgeLine, Intake, RefusedInput
from pagereeve.ports.journal import JournalUnavailable

_FIRST_PAUSE_S: Final = 0.1
_LONGEST_PAUSE_S: Final = 5.0


@dataclass(frozen=True, slots=True)
class LineOrigin:
    """Where a line came from. ``reader`` is empty where the gateway has one only."""

    feed: str
    gateway: str
    reader: str
    frame: BadgeFrame


class LineHandIn:
    """``take_s`` is for one try, ``patience_s`` for all of one line (None: a relay keeps it until it is stored)."""

    def __init__(
        self,
        origin: LineOrigin,
        intake: Intake,
        *,
        take_s: float,
        patience_s: float | None,
        clock: Clock,
        stats: FeedStats,
        on_error: OnError,
    ) -> None:
        self._origin = origin
        self._intake = intake
        self._take_s = take_s
        self._patience_s = patience_s
        self._clock = clock
        self._stats = stats
        self._on_error = on_error

    async def take(self, line: Line | Spoilt, received_us: int, name: str = "") -> None:
        """Accepted, or counted as refused or lost. ``name`` is the line's own, where it may be submitted twice."""
        try:
            await self._take(line, received_us, name)
        except Exception as error:  # noqa: BLE001 - one line's trouble must not stop the next; it is reported
            self._stats.refused["internal"] += 1
            self._on_error(self._doing("a line"), error)

    async def _take(self, line: Line | Spoilt, received_us: int, name: str) -> None:
        if isinstance(line, Spoilt):
            await self._refuse("line-too-long", line.head, received_us, name)
        elif not line.content:
            self._stats.blank_lines += 1
        else:
            try:
                badge = self._origin.frame.badge_of(line.content)
            except Refusal as refusal:
                await self._refuse(refusal.reason, line.content, received_us, name)
            else:
                await self._submit(badge, received_us, name)

    def lose(self, lines: Iterable[Line | Spoilt]) -> None:
        """Lines that nobody hands in any more: each is counted, but for blank ones."""
        for line in lines:
            if isinstance(line, Line) and not line.content:
                self._stats.blank_lines += 1
            else:
                self._stats.lost_lines += 1

    async def _submit(self, badge: str, received_us: int, name: str) -> None:
        """Whoever cuts this off, wherever it is: a line that nobody else keeps is counted as lost."""
        try:
            origin = self._origin
            line = BadgeLine(origin.gateway, badge, origin.feed, received_us, origin.reader, name)
            await self._try_until_stored(line)
        except asyncio.CancelledError:
            self._stats.lost_lines += self._patience_s is not None
            raise

    async def _try_until_stored(self, line: BadgeLine) -> None:
        """A line's sender waits for no answer and sends nothing twice: so a full disk is waited out here, in bounds."""
        began_us = self._clock.monotonic_us()
        pause_s = _FIRST_PAUSE_S
        while True:
            try:
                async with asyncio.timeout(self._take_s):
                    accepted = await self._intake.badge_line(line)
            except BadFact:
                self._stats.refused["bad-member"] += 1
                return
            except (JournalUnavailable, TimeoutError) as error:
                if self._patience_s is not None and self._clock.monotonic_us() - began_us >= self._patience_s * 1e6:
                    self._stats.lost_lines += 1
                    self._on_error(self._doing("a line", "is lost"), error)
                    return
                await self._clock.sleep(pause_s)
                pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
            else:
                self._stats.events[accepted.outcome] += 1
                return

    async def _refuse(self, reason: Reason, head: bytes, received_us: int, name: str) -> None:
        origin = self._origin
        self._stats.refused[reason] += 1
        try:
            async with asyncio.timeout(KEEP_ASIDE_S):
                place = f"gateway {origin.gateway}"
                await self._intake.refused(
                    RefusedInput(
                        origin.feed,
                        reason,
                        place,
                        masked_line(head),
                        origin.gateway,
                        origin.reader,
                        name,
                        received_us if name else None,
                    )
                )
        except (JournalUnavailable, TimeoutError):
            self._stats.unkept += 1
        except asyncio.CancelledError:
            self._stats.unkept += 1
            raise

    def _doing(self, what: str, then: str = "") -> str:
        return " ".join((f"feed {self._origin.feed}: {what} of gateway {self._origin.gateway}", then)).rstrip()
