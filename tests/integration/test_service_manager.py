"""`pagereeve run` under a service manager of ours: ready when it is, and pings only while it works."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

pytestmark = pytest.mark.alone

CONFIG = """
data_dir = "{folder}/data"
[http]
listen = "127.0.0.1:{port}"
[log]
level = "warning"
[[feeds.lines]]
name = "desk"
listen = "127.0.0.1:{line_port}"
gateway = "gate"
[[gateways]]
name = "gate"
"""
RUN = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"
# A line feed's door that stands still: whatever blocks the loop, blocks all of it.
BLOCK = """
import signal, time
def stand_still(*_):
    time.sleep(5)
signal.signal(signal.SIGUSR1, stand_still)
"""
INTERVAL_S = 1.5


def free_ports(count: int) -> list[int]:
    doors = [socket.socket() for _ in range(count)]
    try:
        for door in doors:
            door.bind(("127.0.0.1", 0))
        return [int(door.getsockname()[1]) for door in doors]
    finally:
        for door in doors:
            door.close()


class Manager:
    """Listens as systemd does."""

    def __init__(self, folder: Path, *, abstract: bool) -> None:
        self.address = f"@pagereeve-{os.getpid()}" if abstract else str(folder / "notify")
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(self.address.replace("@", "\0", 1) if abstract else self.address)
        self._socket.settimeout(0)

    async def hears(self, within_s: float = 20.0) -> list[str]:
        async with asyncio.timeout(within_s):
            raw = await asyncio.get_running_loop().sock_recv(self._socket, 4096)
        return raw.decode().split("\n")

    def close(self) -> None:
        self._socket.close()


@asynccontextmanager
async def running(
    folder: Path, ports: list[int], *, abstract: bool = False
) -> AsyncIterator[tuple[asyncio.subprocess.Process, Manager]]:
    config = folder / "pagereeve.toml"
    config.write_text(CONFIG.format(folder=folder, port=ports[0], line_port=ports[1]))
    manager = Manager(folder, abstract=abstract)
    told = {"NOTIFY_SOCKET": manager.address, "WATCHDOG_USEC": str(int(INTERVAL_S * 1_000_000))}
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", BLOCK + RUN, "run", "--config", str(config), env=os.environ | told
    )
    try:
        yield process, manager
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
        manager.close()


async def test_every_door_is_open_the_moment_ready_is_told_and_pings_go_on_while_idle(tmp_path: Path) -> None:
    # FreeRADIUS/freeradius-server#2698: ready told too early
    ports = free_ports(2)
    async with running(tmp_path, ports) as (process, manager):
        assert (await manager.hears())[0] == "READY=1"
        for port in ports:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        gaps = []
        for _ in range(8):
            began_s = time.monotonic()
            assert await manager.hears(INTERVAL_S) == ["WATCHDOG=1"]
            gaps.append(time.monotonic() - began_s)
        assert max(gaps) < INTERVAL_S
        process.send_signal(signal.SIGTERM)
        while (told := await manager.hears()) == ["WATCHDOG=1"]:
            pass
        assert told[0] == "STOPPING=1"
        assert await process.wait() == 0


async def test_a_loop_that_stands_still_longer_than_the_watchdog_stops_pinging(tmp_path: Path) -> None:
    # diegosouzapw/OmniRoute#10661: alive, and the loop blocked.
    async with running(tmp_path, free_ports(2), abstract=True) as (process, manager):
        assert (await manager.hears())[0] == "READY=1"
        assert await manager.hears(INTERVAL_S) == ["WATCHDOG=1"]
        process.send_signal(signal.SIGUSR1)
        last_s = time.monotonic()
        longest_s = 0.0
        while time.monotonic() - last_s < 6 and longest_s < INTERVAL_S:
            await manager.hears(6)
            longest_s, last_s = time.monotonic() - last_s, time.monotonic()
        assert longest_s > 2 * INTERVAL_S
        # What systemd does then; the stacks that the daemon leaves say where it stood.
        process.send_signal(signal.SIGABRT)
        assert await process.wait() == -signal.SIGABRT
