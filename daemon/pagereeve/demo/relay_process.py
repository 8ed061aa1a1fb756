"""The demo's relay: a process of its own, as at a site, which outlives any daemon beside it."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Final

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.toml_text import toml_text
from pagereeve.feeds.acceptor import NotStarted
from pagereeve.feeds.kind import OpenFeed
from pagereeve.settings import Settings

START_S: Final = 30.0
STOP_S: Final = 10.0
LOOK_S: Final = 0.05
# It ends with the demo, also with one that is killed: the other end of its standard input closes then.
_CODE: Final = """\
import os, signal, sys, threading
from pagereeve.cli import main
def end_with_the_demo():
    os.read(0, 1)
    os.kill(os.getpid(), signal.SIGTERM)
threading.Thread(target=end_with_the_demo, daemon=True).start()
sys.argv[0] = 'pagereeve'
main()
"""


class RelayNotUp(PagereeveError):
    """The demo's relay did not begin."""


@asynccontextmanager
async def relay_process(settings: Settings) -> AsyncIterator[asyncio.subprocess.Process]:
    """`pagereeve relay` for the [[relays]] of these settings, once it is up. It ends with SIGTERM, or else is killed.

    Raises RelayNotUp.
    """
    config = settings.data_dir / "relay.toml"
    config.write_text(_toml(settings), encoding="utf-8")
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", _CODE, "relay", "--config", str(config), stdin=asyncio.subprocess.PIPE
    )
    try:
        await _up(process, settings.relay_socket_path)
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


async def _up(process: asyncio.subprocess.Process, socket: Path) -> None:
    """A daemon that looks for it before that complains, and comes again only after a while."""
    try:
        async with asyncio.timeout(START_S):
            while process.returncode is None:
                if await asyncio.to_thread(socket.exists):
                    return
                await asyncio.sleep(LOOK_S)
    except TimeoutError:
        raise RelayNotUp(f"the relay did not come up within {START_S:.0f} s; is this machine very busy?") from None
    raise RelayNotUp("the relay ended at once; its reason stands above")


async def relayed(feeds: Mapping[str, OpenFeed], names: tuple[str, ...]) -> dict[str, tuple[str, int]]:
    """Where gateways connect, by relay, once the daemon knows it from the relay. Raises TimeoutError."""
    async with asyncio.timeout(START_S):
        while True:
            try:
                return {name: feeds[name].address for name in names}
            except NotStarted:
                await asyncio.sleep(LOOK_S)


def _toml(settings: Settings) -> str:
    whole = settings.model_dump(mode="json", include={"relays"}, exclude_unset=True)
    return toml_text({"relay_socket": str(settings.relay_socket_path), "log": {"level": "error"}, **whole})
