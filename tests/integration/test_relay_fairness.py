"""A gateway that floods the relay gets its own share of it, unaltered, while the lines of a calm one pass.

What a calm line waits for beside it contrib/drill/relay_trials.py measures.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import Counter
from pathlib import Path

import pytest

from pagereeve.relay import turns
from tests.relaying import ReleaseServer, connect, listening, relay_settings, relaying

pytestmark = pytest.mark.alone

LINES = 60
EVERY_S = 0.025
FLOODING, CALM = "127.0.0.2", "127.0.0.1"
# Small ones, so that a busy machine is no excuse: a flood that has all it can get has ten times as much there, too.
SHARE, BURST_US = 50, 1_000
TURN_MAX_US = 10_000


async def flood(address: tuple[str, int], ended: asyncio.Event) -> int:
    """Empty lines, as many as are taken; how many octets came back, which are all as they were sent."""
    reader, writer = await asyncio.open_connection(*address, local_addr=(FLOODING, 0))
    came = 0

    async def read_away() -> None:
        nonlocal came
        while piece := await reader.read(65_536):
            assert not piece.strip(b"\r\n")
            came += len(piece)

    reading = asyncio.create_task(read_away())
    piece = b"\r\n" * 8_192
    while not ended.is_set():
        writer.write(piece)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(0.2):
                await writer.drain()
    writer.transport.abort()
    with contextlib.suppress(OSError):
        await reading
    return came


async def test_a_flood_has_its_share_and_a_calm_gateways_lines_pass(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    work_us: Counter[str] = Counter()
    took = turns.Turns.took

    def noted(self: turns.Turns, peer: str, done_us: int) -> int:
        work_us[peer] += done_us
        return took(self, peer, done_us)

    monkeypatch.setattr(turns, "SHARE", SHARE)
    monkeypatch.setattr(turns, "BURST_US", BURST_US)
    monkeypatch.setattr(turns.Turns, "took", noted)
    server, ended = ReleaseServer(answer=lambda piece: piece), asyncio.Event()
    async with listening(server.serve) as target, relaying(tmp_path, relay_settings(target)) as relay:
        address = relay.listeners[0].address
        assert address is not None
        began_s = time.perf_counter()
        flooding = asyncio.create_task(flood(address, ended))
        reader, writer = await connect(relay)
        for number in range(LINES):
            line = f"{number:08X}\r\n".encode()
            writer.write(line)
            assert await asyncio.wait_for(reader.readexactly(len(line)), 5) == line
            await asyncio.sleep(EVERY_S)
        elapsed_us = (time.perf_counter() - began_s) * 1e6
        flooded_us = work_us[FLOODING]
        ended.set()
        assert await flooding > 0
        writer.close()
        assert relay.listeners[0].counts.lines == LINES
    assert 0 < flooded_us <= elapsed_us / SHARE + BURST_US + TURN_MAX_US
    assert work_us[CALM] > 0
