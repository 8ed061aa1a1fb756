"""Badge numbers as lines on TCP, as network boxes with a reader send them."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Final

from pagereeve.ports.clock import Clock
from pagereeve.simulator.network.listener import close
from pagereeve.simulator.snmp.agent import Address

WAITING_MAX: Final = 64
BACKOFF_FIRST_S: Final = 0.05
BACKOFF_LONGEST_S: Final = 2.0
CONNECT_TIMEOUT_S: Final = 5.0


@dataclass(frozen=True, slots=True)
class LineFormat:
    prefix: str = ""
    suffix: str = ""
    terminator: bytes = b"\r\n"
    encoding: str = "ascii"

    def encode(self, badge: str) -> bytes:
        return f"{self.prefix}{badge}{self.suffix}".encode(self.encoding) + self.terminator

    def decode(self, line: bytes) -> str | None:
        """The badge in a line; None where prefix, suffix or encoding do not fit."""
        try:
            text = line.removesuffix(self.terminator).decode(self.encoding)
        except UnicodeDecodeError:
            return None
        fits = text.startswith(self.prefix) and text.endswith(self.suffix)
        return text[len(self.prefix) : len(text) - len(self.suffix)] if fits else None


class BadgeSender:
    """Keeps a connection to ``target`` and sends a line for each badge; reconnects with a growing wait.

    Lines wait in a bounded queue while there is no connection; what does not fit is counted in ``lost``.
    """

    def __init__(self, clock: Clock, line: LineFormat) -> None:
        self._clock, self._line = clock, line
        self._waiting: asyncio.Queue[bytes] = asyncio.Queue(maxsize=WAITING_MAX)
        self._unsent: bytes | None = None
        self._target: Address | None = None
        self._task: asyncio.Task[None] | None = None
        self.sent = self.lost = self.connections = 0

    async def point(self, target: Address) -> None:
        """Connect there from now on; lines that wait go there too."""
        await self.stop()
        self._target = target
        self._task = asyncio.get_running_loop().create_task(self._run(target))

    async def stop(self) -> None:
        task, self._task = self._task, None
        if task is None:
            return
        task.cancel()
        await asyncio.wait({task})
        if not task.cancelled() and (error := task.exception()) is not None:
            raise error

    def present(self, badge: str) -> None:
        try:
            self._waiting.put_nowait(self._line.encode(badge))
        except asyncio.QueueFull:
            self.lost += 1

    async def _run(self, target: Address) -> None:
        backoff_s = BACKOFF_FIRST_S
        while True:
            try:
                async with asyncio.timeout(CONNECT_TIMEOUT_S):
                    reader, writer = await asyncio.open_connection(*target)
            except (OSError, TimeoutError):
                await self._clock.sleep(backoff_s)
                backoff_s = min(backoff_s * 2, BACKOFF_LONGEST_S)
                continue
            backoff_s = BACKOFF_FIRST_S
            self.connections += 1
            try:
                await self._send_lines(reader, writer)
            finally:
                await close(writer)

    async def _send_lines(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Until the other side closes. Its answers are read and dropped, as such a box does."""
        loop = asyncio.get_running_loop()
        gone = loop.create_task(_read_away(reader))
        try:
            while not gone.done():
                line = await self._next_line(gone)
                if line is None:
                    return
                self._unsent = line
                writer.write(line)
                await writer.drain()
                self._unsent = None
                self.sent += 1
        except OSError:
            return
        finally:
            gone.cancel()
            await asyncio.wait({gone})

    async def _next_line(self, gone: asyncio.Task[None]) -> bytes | None:
        if self._unsent is not None:
            return self._unsent
        line = asyncio.get_running_loop().create_task(self._waiting.get())
        try:
            await asyncio.wait({line, gone}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            if not line.done():
                line.cancel()
                await asyncio.wait({line})
            if not line.cancelled():
                self._unsent = line.result()
        return self._unsent


async def _read_away(reader: asyncio.StreamReader) -> None:
    try:
        while await reader.read(4096):
            pass
    except OSError:
        return
