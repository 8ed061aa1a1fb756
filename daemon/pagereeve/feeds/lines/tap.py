"""Reads a copy of one connection's bytes: cuts lines, decodes badge numbers, submits them. Its errors stay inside."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.splitting import Line, LineSplitter, Spoilt
from pagereeve.feeds.kind import OnError
from pagereeve.feeds.lines.badge_text import BadgeFrame
from pagereeve.feeds.lines.chunks import ChunkQueue
from pagereeve.feeds.masking import masked_line
from pagereeve.feeds.refusals import KEEP_ASIDE_S, Reason, Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.clock import Clock
from pagereeve.ports.intake import BadgeLine, Intake, RefusedInput
from pagereeve.ports.journal import JournalUnavailable

_FIRST_PAUSE_S: Final = 0.1
_LONGEST_PAUSE_S: Final = 5.0


@dataclass(frozen=True, slots=True)
class TapLimits:
    """``take_s`` for one hand-in; ``patience_s`` for all tries of one line while the journal is unavailable."""

    idle_flush_s: float
    take_s: float
    patience_s: float


class LineReader:
    """Reads ``chunks`` to their end. Lines are submitted one after the other, so their order is kept."""

    def __init__(
        self,
        chunks: ChunkQueue,
        splitter: LineSplitter,
        frame: BadgeFrame,
        intake: Intake,
        *,
        feed: str,
        gateway: str,
        reader: str = "",
        limits: TapLimits,
        clock: Clock,
        stats: FeedStats,
        on_error: OnError,
    ) -> None:
        self._chunks = chunks
        self._splitter = splitter
        self._frame = frame
        self._intake = intake
        self._feed = feed
        self._gateway = gateway
        self._reader = reader
        self._limits = limits
        self._clock = clock
        self._stats = stats
        self._on_error = on_error
        self._last_us = 0

    async def run(self) -> None:
        """Until the end of the chunks. Every line is accepted, or counted as refused or lost."""
        received_us = self._clock.now_us()
        while True:
            try:
                async with asyncio.timeout(self._limits.idle_flush_s if self._splitter.pending else None):
                    chunk = await self._chunks.get()
            except TimeoutError:
                await self._lines(self._splitter.flush(), received_us)
                continue
            if chunk is None:
                await self._lines(self._splitter.flush(), received_us)
                return
            received_us = chunk.received_us
            if chunk.after_gap:
                await self._lines(self._splitter.gap(), received_us)
            await self._lines(self._splitter.feed(chunk.content), received_us)

    async def _lines(self, lines: list[Line | Spoilt], received_us: int) -> None:
        for line in lines:
            try:
                await self._line(line, received_us)
            except Exception as error:  # noqa: BLE001 - one line's trouble must not stop the next; it is reported
                self._stats.refused["internal"] += 1
                self._on_error(f"feed {self._feed}: a line of gateway {self._gateway}", error)

    async def _line(self, line: Line | Spoilt, received_us: int) -> None:
        if isinstance(line, Spoilt):
            await self._refuse("line-too-long" if line.too_long else "line-incomplete", line.head)
        elif not line.content:
            self._stats.blank_lines += 1
        else:
            try:
                badge = self._frame.badge_of(line.content)
            except Refusal as refusal:
                await self._refuse(refusal.reason, line.content)
            else:
                await self._hand_in(badge, received_us)

    async def _hand_in(self, badge: str, received_us: int) -> None:
        """A line's sender waits for no answer and sends nothing twice: so a full disk is waited out here, in bounds."""
        self._last_us = received_us = max(received_us, self._last_us + 1)
        give_up_us = self._clock.monotonic_us() + int(self._limits.patience_s * 1_000_000)
        pause_s = _FIRST_PAUSE_S
        line = BadgeLine(self._gateway, badge, self._feed, received_us, self._reader)
        while True:
            try:
                async with asyncio.timeout(self._limits.take_s):
                    accepted = await self._intake.badge_line(line)
            except BadFact:
                self._stats.refused["bad-member"] += 1
                return
            except (JournalUnavailable, TimeoutError) as error:
                if self._clock.monotonic_us() >= give_up_us:
                    self._stats.lost_lines += 1
                    self._on_error(f"feed {self._feed}: a line of gateway {self._gateway} is lost", error)
                    return
                await self._clock.sleep(pause_s)
                pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
            except asyncio.CancelledError:
                self._stats.lost_lines += 1
                raise
            else:
                self._stats.events[accepted.outcome] += 1
                return

    async def _refuse(self, reason: Reason, head: bytes) -> None:
        self._stats.refused[reason] += 1
        try:
            async with asyncio.timeout(KEEP_ASIDE_S):
                place = f"gateway {self._gateway}"
                await self._intake.refused(
                    RefusedInput(self._feed, reason, place, masked_line(head), self._gateway, self._reader)
                )
        except (JournalUnavailable, TimeoutError):
            self._stats.unkept += 1
