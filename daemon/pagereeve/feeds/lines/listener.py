"""A TCP listener whose connections are bounded in number and end when it stops."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.feeds.listening import cannot_listen
from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.setting_types import HostPort

READ_BYTES: Final = 16 * 1024
_CLOSE_S: Final = 2.0


class NotStarted(PagereeveError):
    """The listener has no address yet: start it first."""


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
    """Calls ``serve`` for each connection, and ``on_error`` with what it raises. Port 0 takes any free one."""

    def __init__(
        self,
        host: str,
        port: int,
        serve: Callable[[Stream], Awaitable[None]],
        *,
        connections_max: int,
        stats: FeedStats,
        on_error: Callable[[Exception], None],
    ) -> None:
        self._host = host
        self._port = port
        self._serve = serve
        self._connections_max = connections_max
        self._stats = stats
        self._on_error = on_error
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def address(self) -> tuple[str, int]:
        """Where it listens. Raises NotStarted."""
        if self._server is None or not self._server.sockets:
            raise NotStarted(f"the listener on {self._host} has not been started")
        host, port = self._server.sockets[0].getsockname()[:2]
        return str(host), int(port)

    async def start(self) -> None:
        """Raises OSError where the address can't be had."""
        try:
            self._server = await asyncio.start_server(self._accepted, self._host, self._port, limit=READ_BYTES)
        except OSError as error:
            raise cannot_listen(HostPort(self._host, self._port), error) from error

    def _accepted(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._stats.connections += 1
        if len(self._tasks) >= self._connections_max:
            self._stats.connections_refused += 1
            writer.transport.abort()
            return
        task = asyncio.create_task(self._run(Stream.of(reader, writer)))
        self._tasks.add(task)
        self._stats.connections_open += 1
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        self._stats.connections_open -= 1

    async def _run(self, stream: Stream) -> None:
        try:
            await self._serve(stream)
        except Exception as error:  # noqa: BLE001 - one connection's trouble must not end the others; it is reported
            self._on_error(error)
        finally:
            await stream.close()

    async def stop_listening(self) -> None:
        """No new connections; those that are open go on."""
        if self._server is not None:
            self._server.close()

    async def stop(self, grace_s: float) -> None:
        """Give the connections ``grace_s`` to end by themselves, then end them. Returns within a few seconds more."""
        await self.stop_listening()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=grace_s)
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=2 * _CLOSE_S)
        if self._server is not None:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_CLOSE_S):
                    await self._server.wait_closed()
