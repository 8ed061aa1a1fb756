"""A TCP server with a bound on its connections that leaves no task behind when it stops."""

from __future__ import annotations

import asyncio
import os
import socket
import struct
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import Final

from pagereeve.simulator.snmp.agent import Address

CONNECTIONS_MAX: Final = 64

Serve = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


class LoopbackListener:
    """Runs ``serve`` for each connection and closes it afterwards; a peer that breaks off is no error.

    An exception of ``serve`` itself ends its connection and is raised again by ``stop``.
    """

    def __init__(self, serve: Serve, *, limit_bytes: int = 65_536) -> None:
        self._serve = serve
        self._limit_bytes = limit_bytes
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._first_error: BaseException | None = None
        self.address: Address = ("", 0)

    async def start(self, host: str = "127.0.0.1", port: int = 0) -> None:
        self._server = await asyncio.start_server(self._accept, host, port, limit=self._limit_bytes)
        self.address = self._server.sockets[0].getsockname()[:2]

    async def start_at(self, path: Path) -> None:
        """On a local socket instead, which nobody but our own user may use."""
        before = os.umask(0o177)
        try:
            self._server = await asyncio.start_unix_server(self._accept, path, limit=self._limit_bytes)
        finally:
            os.umask(before)

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks)
        if self._server is not None:
            await self._server.wait_closed()
            self._server = None
        if self._first_error is not None:
            error, self._first_error = self._first_error, None
            raise error

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self._tasks) >= CONNECTIONS_MAX:
            reset(writer)
            return
        task = asyncio.get_running_loop().create_task(self._run(reader, writer))
        self._tasks.add(task)
        task.add_done_callback(partial(self._ended, writer))

    async def _run(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await self._serve(reader, writer)
        except OSError:
            return
        finally:
            await close(writer)

    def _ended(self, writer: asyncio.StreamWriter, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not writer.is_closing():
            writer.transport.abort()  # it was cancelled before it began
        if not task.cancelled() and (error := task.exception()) is not None:
            self._first_error = self._first_error or error


async def close(writer: asyncio.StreamWriter) -> None:
    """Close and wait a moment for the last bytes; a peer that is gone already is fine."""
    writer.close()
    try:
        async with asyncio.timeout(1.0):
            await writer.wait_closed()
    except (OSError, TimeoutError):
        writer.transport.abort()


def reset(writer: asyncio.StreamWriter) -> None:
    """Break the connection off so that the other side sees an error, not an end (RST, not FIN)."""
    plug = writer.get_extra_info("socket")
    if plug is not None and not writer.transport.is_closing():
        plug.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()
