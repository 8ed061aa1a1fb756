"""The demo's relay: a process of its own, as at a site, which outlives any daemon beside it."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Final

from pagereeve.feeds.acceptor import NotStarted
from pagereeve.feeds.kind import OpenFeed
from pagereeve.settings import Settings

START_S: Final = 30.0
STOP_S: Final = 10.0
_CODE: Final = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"


@asynccontextmanager
async def relay_process(settings: Settings) -> AsyncIterator[asyncio.subprocess.Process]:
    """`pagereeve relay` for the [[relays]] of these settings. It ends with SIGTERM, or else is killed."""
    config = settings.data_dir / "relay.toml"
    config.write_text(_toml(settings), encoding="utf-8")
    process = await asyncio.create_subprocess_exec(sys.executable, "-c", _CODE, "relay", "--config", str(config))
    try:
        yield process
    finally:
        if process.returncode is None:
            process.terminate()
        try:
            async with asyncio.timeout(STOP_S):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()


async def relayed(feeds: Mapping[str, OpenFeed], names: tuple[str, ...]) -> dict[str, tuple[str, int]]:
    """Where gateways connect, by relay, once the daemon knows it from the relay. Raises TimeoutError."""
    async with asyncio.timeout(START_S):
        while True:
            try:
                return {name: feeds[name].address for name in names}
            except NotStarted:
                await asyncio.sleep(0.05)


def _toml(settings: Settings) -> str:
    rows = (
        f'[[relays]]\nname = "{one.name}"\nlisten = "{one.listen}"\nforward_to = "{one.forward_to}"\n'
        f'terminator = "{one.terminator}"\n'
        for one in settings.relays
    )
    return f'relay_socket = "{settings.relay_socket_path}"\n[log]\nlevel = "error"\n' + "".join(rows)
