"""`pagereeve run` as a process of its own, to be killed and begun again."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import httpx2

CODE = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"


def a_free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Daemon:
    """`pagereeve run` as its own process, begun again after each kill; in our environment, unless told. ``within``: a
    command that runs it somewhere else, where it listens at ``host``.
    """

    config: Path
    port: int
    environment: Mapping[str, str] | None = None
    code: str = CODE
    host: str = "127.0.0.1"
    within: tuple[str, ...] = ()
    process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        argv = (*self.within, sys.executable, "-c", self.code, "run", "--config", str(self.config))
        self.process = await asyncio.create_subprocess_exec(
            *argv, stdin=asyncio.subprocess.DEVNULL, env=self.environment
        )
        async with asyncio.timeout(60), httpx2.AsyncClient() as client:
            while True:
                try:
                    ready = await client.get(f"http://{self.host}:{self.port}/readyz")
                except httpx2.TransportError:
                    assert self.process.returncode is None, "the daemon ended by itself"
                else:
                    if ready.status_code == 200:
                        return
                await asyncio.sleep(0.05)

    async def end(self, number: signal.Signals) -> int:
        assert self.process is not None
        os.kill(self.process.pid, number)
        async with asyncio.timeout(20):
            return await self.process.wait()
