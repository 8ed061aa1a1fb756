"""A server on loopback for one test, which leaves no connection behind when the test is over."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from typing import Final

END_S: Final = 5.0
LIMIT_BYTES: Final = 16_384
Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def serving(handler: Handler, tls: ssl.SSLContext | None = None) -> AsyncIterator[int]:
    """The port. A handler may leave its connection open and may fail as its peer goes away; both end with the test."""
    tasks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            with suppress(OSError, asyncio.IncompleteReadError):
                await handler(reader, writer)
        finally:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()

    def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.create_task(serve(reader, writer))
        tasks.add(task)
        task.add_done_callback(tasks.discard)

    server = await asyncio.start_server(accept, "127.0.0.1", 0, limit=LIMIT_BYTES, ssl=tls)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        await server.wait_closed()
        if tasks:
            _, late = await asyncio.wait(set(tasks), timeout=END_S)
            assert late == set(), "a peer left its connection open"
