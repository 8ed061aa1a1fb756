"""Passes a gateway's bytes on to the release server that expects them, and its answers back, unchanged.

The stream never waits for our own side, which may look at the bytes (``look``) but can neither stop, delay nor alter
them: a look is a call that must return at once, and what it raises is reported and forgotten. Where our side is too
slow, it loses sight of bytes; the release server loses none. Only the two ends themselves hold the stream up: a server
that reads slowly slows the gateway down, as it would without us.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from pagereeve.feeds.lines.listener import READ_BYTES, Stream
from pagereeve.feeds.stats import FeedStats

Look = Callable[[bytes], None]


@dataclass(frozen=True, slots=True)
class TeeTarget:
    """The release server, and how long to wait for it.

    connect_s       until it counts as unreachable
    orphan_s        how long a gateway is still listened to when it does; then its connection is closed
    half_closed_s   how long one direction may go on when the other has ended
    """

    host: str
    port: int
    connect_s: float = 5.0
    orphan_s: float = 2.0
    half_closed_s: float = 3600.0


class Tee:
    """One teed connection."""

    def __init__(
        self, gateway: Stream, target: TeeTarget, look: Look, stats: FeedStats, on_error: Callable[[Exception], None]
    ) -> None:
        self._gateway = gateway
        self._target = target
        self._look = look
        self._stats = stats
        self._on_error = on_error
        self._server: Stream | None = None
        self._decided = asyncio.Event()

    async def run(self) -> None:
        """Until both ends have closed, one was reset, or the release server proved unreachable.

        Leaves closing the gateway's side to the caller; resets it where the release server's side was reset.
        """
        forward = asyncio.create_task(self._forward())
        back: asyncio.Task[None] | None = None
        try:
            self._server = await self._connect()
            self._decided.set()
            if self._server is None:
                await asyncio.wait({forward}, timeout=self._target.orphan_s)
                return
            back = asyncio.create_task(self._copy_back(self._server))
            await self._until_done(forward, back)
        finally:
            await self._end([forward] if back is None else [forward, back])
            if self._server is not None:
                await self._server.close()

    async def _connect(self) -> Stream | None:
        target = self._target
        try:
            async with asyncio.timeout(target.connect_s):
                return Stream.of(*await asyncio.open_connection(target.host, target.port, limit=READ_BYTES))
        except OSError as error:  # TimeoutError is one
            self._stats.tee_unreachable += 1
            self._on_error(error)
            return None

    async def _until_done(self, forward: asyncio.Task[None], back: asyncio.Task[None]) -> None:
        both = {forward, back}
        done, rest = await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
        if rest and all(task.exception() is None for task in done):
            await asyncio.wait(rest, timeout=self._target.half_closed_s)
        failures = [task.exception() for task in both if task.done()]
        if not all(task.done() for task in both) or any(failures):
            self._stats.tee_broken += 1
            self._gateway.reset()
            if self._server is not None:
                self._server.reset()

    async def _forward(self) -> None:
        """Gateway to server. The bytes are on their way before our own side receives them."""
        while chunk := await self._gateway.reader.read(READ_BYTES):
            server = self._server
            if server is not None:
                server.writer.write(chunk)
            self._show(chunk)
            if server is None:
                await self._decided.wait()
                if self._server is None:
                    continue
                server = self._server
                server.writer.write(chunk)
            self._stats.tee_bytes += len(chunk)
            await server.writer.drain()
        await self._decided.wait()
        if self._server is not None:
            _end_of(self._server)

    async def _copy_back(self, server: Stream) -> None:
        while chunk := await server.reader.read(READ_BYTES):
            self._gateway.writer.write(chunk)
            self._stats.tee_back_bytes += len(chunk)
            await self._gateway.writer.drain()
        _end_of(self._gateway)

    def _show(self, chunk: bytes) -> None:
        try:
            self._look(chunk)
        except Exception as error:  # noqa: BLE001 - whatever our own side does, the stream goes on; it is reported
            self._on_error(error)

    async def _end(self, tasks: list[asyncio.Task[None]]) -> None:
        for task in tasks:
            task.cancel()
        for ended in await asyncio.gather(*tasks, return_exceptions=True):
            if isinstance(ended, Exception) and not isinstance(ended, OSError):
                self._on_error(ended)


def _end_of(stream: Stream) -> None:
    """Pass the end of one direction on (a half-close), after all that was written before it."""
    if not stream.writer.is_closing() and stream.writer.can_write_eof():
        stream.writer.write_eof()
