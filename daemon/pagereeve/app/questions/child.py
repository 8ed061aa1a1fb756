"""The query process itself: ``python -m pagereeve.app.questions.child``, told on its standard input what to do.

It ends with that input, so that no daemon that is killed leaves one behind.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import uvicorn

from pagereeve.app.clocks import SystemClock
from pagereeve.app.journals import reads_of_opened
from pagereeve.app.questions.told import Told
from pagereeve.app.running import loop_factory
from pagereeve.app.shipped_files import EXAMPLE_SETTINGS, content_of, topic_file
from pagereeve.app.zone_database import zone_database
from pagereeve.console.api.context import ApiContext
from pagereeve.console.application import make_console
from pagereeve.telemetry.logs import set_up_logs

# Readings, notices and the journal's writer come first.
NICENESS: Final = 10
STOP_S: Final = 5


class _Server(uvicorn.Server):
    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


async def serve(told: Told) -> None:
    async with await reads_of_opened(told.journal) as reads:
        config = uvicorn.Config(
            make_console(
                ApiContext(reads, told.site, SystemClock().now_us, _glossary(), zone_database, _example_settings())
            ),
            interface="asgi3",
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            date_header=False,
            timeout_graceful_shutdown=STOP_S,
        )
        server = _Server(config)
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGTERM, _stop, server)
        ended = asyncio.create_task(_input_ends(server))
        try:
            await server.serve([socket.socket(fileno=told.descriptor)])
        finally:
            ended.cancel()


def _glossary() -> str:
    return content_of(topic_file("glossary")).decode()


def _example_settings() -> str:
    return content_of(EXAMPLE_SETTINGS).decode()


def _stop(server: uvicorn.Server) -> None:
    server.should_exit = True


async def _input_ends(server: uvicorn.Server) -> None:
    """The daemon holds the other end as long as it lives."""
    reader = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    transport, _ = await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin.buffer)
    try:
        while await reader.read(1024):
            pass
    finally:
        transport.close()
    _stop(server)


def main() -> None:
    # Ctrl-C at a terminal reaches the daemon too, which ends us in its order.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(OSError):
        os.nice(NICENESS)
    # Unbuffered: what follows is waited for by the loop.
    told = Told.read(open(sys.stdin.fileno(), "rb", buffering=0, closefd=False))  # noqa: SIM115 - it stays open
    set_up_logs(told.log.format, told.log.level, sys.stderr)
    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        runner.run(serve(told))


if __name__ == "__main__":
    main()
