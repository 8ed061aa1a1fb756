"""A TCP listener whose connections are bounded, in all and for each peer, and end when it stops."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

from pagereeve.feeds.acceptor import Acceptor
from pagereeve.feeds.admission import Connections, Slot
from pagereeve.feeds.stats import FeedStats

READ_BYTES: Final = 16 * 1024
_CLOSE_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Stream:
    """One TCP connection. ``peer`` is the other end's address, without its port."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter
    peer: str

    @classmethod
    def of(cls, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> Stream:
        # A gateway that loses its power says no goodbye: the kernel finds out.
        _set_option(writer, socket.SO_KEEPALIVE, 1)
        name = writer.get_extra_info("peername")
        return cls(reader, writer, str(name[0]) if name else "")

    async def close(self) -> None:
        """Send what is still to be sent, within a limit, and close; what then remains is cut off."""
        self.writer.close()
        try:
            async with asyncio.timeout(_CLOSE_S):
                await self.writer.wait_closed()
        except OSError:  # reset by the other end, or TimeoutError: closed either way
            self.writer.transport.abort()

    def reset(self) -> None:
        """Drop the connection so that the other end sees a reset, not an orderly end."""
        # Lingering for no time makes the kernel send RST (socket(7)).
        _set_option(self.writer, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.writer.transport.abort()


def _set_option(writer: asyncio.StreamWriter, option: int, value: int | bytes) -> None:
    if writer.is_closing():
        return  # its socket is gone, or about to be
    with contextlib.suppress(OSError):  # closed by the kernel, while the event loop does not know it yet
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, option, value)


class Listener:
    """Calls ``serve`` for each connection, and ``on_error`` with what it raises. Port 0 takes any free one.

    ``serve`` says of a connection what ``connections`` must know of it: that it was heard, and what it is.
    """

    def __init__(
        self,
        host: str,
        port: int,
        serve: Callable[[Stream, Slot], Awaitable[None]],
        *,
        connections: Connections,
        stats: FeedStats,
        on_error: Callable[[Exception], None],
    ) -> None:
        self._host = host
        self._port = port
        self._serve = serve
        self._connections = connections
        self._stats = stats
        self._on_error = on_error
        self._acceptor = Acceptor(connections, self._protocol, stats.connections_refused, on_error)
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def address(self) -> tuple[str, int]:
        """Where it listens. Raises NotStarted."""
        return self._acceptor.address

    async def start(self) -> None:
        """Raises OSError where the address can't be had."""
        await self._acceptor.open(self._host, self._port)

    def _protocol(self, slot: Slot) -> asyncio.BaseProtocol:
        return asyncio.StreamReaderProtocol(asyncio.StreamReader(limit=READ_BYTES), partial(self._accepted, slot))

    def _accepted(self, slot: Slot, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        slot.drop = writer.transport.abort
        self._stats.connections += 1
        task = asyncio.create_task(self._run(Stream.of(reader, writer), slot))
        self._tasks.add(task)
        self._stats.connections_open += 1
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        self._stats.connections_open -= 1

    async def _run(self, stream: Stream, slot: Slot) -> None:
        try:
            await self._serve(stream, slot)
        except Exception as error:  # noqa: BLE001 - one connection's trouble must not end the others; it is reported
            self._on_error(error)
        finally:
            await stream.close()
            self._connections.release(slot)

    async def stop_listening(self) -> None:
        """No new connections; those that are open go on."""
        self._acceptor.close()

    async def stop(self, grace_s: float) -> None:
        """Give the connections ``grace_s`` to end by themselves, then end them. Returns within a few seconds more."""
        await self.stop_listening()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=grace_s)
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=2 * _CLOSE_S)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_CLOSE_S):
                await self._acceptor.wait_closed()
