"""Reads one connection's bytes: cuts lines, and submits them one after the other, so that their order is kept."""

from __future__ import annotations

import asyncio
from collections import deque

from pagereeve.domain.values.splitting import Line, LineSplitter, Spoilt
from pagereeve.feeds.lines.chunks import ChunkQueue
from pagereeve.feeds.lines.hand_in import LineHandIn
from pagereeve.ports.clock import Clock


class LineReader:
    """Reads ``chunks`` to their end. No two lines of a connection have the same instant."""

    def __init__(
        self, chunks: ChunkQueue, splitter: LineSplitter, hand_in: LineHandIn, *, idle_flush_s: float, clock: Clock
    ) -> None:
        self._chunks = chunks
        self._splitter = splitter
        self._hand_in = hand_in
        self._idle_flush_s = idle_flush_s
        self._clock = clock
        self._last_us = 0
        self._cut: deque[Line | Spoilt] = deque()

    async def run(self) -> None:
        """Until the end of the chunks. Every line is accepted, or counted as refused or lost; also those that were read
        and not looked at yet when this is cut off.
        """
        try:
            await self._read()
        except BaseException:
            self._lose_the_rest()
            raise

    async def _read(self) -> None:
        received_us = self._clock.now_us()
        while True:
            try:
                async with asyncio.timeout(self._idle_flush_s if self._splitter.pending else None):
                    chunk = await self._chunks.get()
            except TimeoutError:
                await self._lines(self._splitter.flush(), received_us)
                continue
            if chunk is None:
                await self._lines(self._splitter.flush(), received_us)
                return
            received_us = chunk.received_us
            await self._lines(self._splitter.feed(chunk.content), received_us)

    async def _lines(self, lines: list[Line | Spoilt], received_us: int) -> None:
        self._cut.extend(lines)
        while self._cut:
            line = self._cut.popleft()
            self._last_us = max(received_us, self._last_us + 1)
            await self._hand_in.take(line, self._last_us)

    def _lose_the_rest(self) -> None:
        """The line being handed in is counted there."""
        self._hand_in.lose(self._cut)
        self._cut.clear()
        for chunk in self._chunks.drain():
            self._hand_in.lose(self._splitter.feed(chunk.content))
        self._hand_in.lose(self._splitter.flush())
