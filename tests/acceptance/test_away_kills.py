"""A daemon that is killed while its journal's database is away, and while it replays what waited: nothing is lost."""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Final

import httpx2
import pytest

from pagereeve.app.spooling import NAMES
from pagereeve.domain.facts.facts import BadgePresented, Origin
from pagereeve.store.records.kind_forms import short_kind
from pagereeve.store.spool.spool import SpoolFile
from tests.acceptance.process import CODE, Daemon, a_free_port
from tests.integration import postgres_server
from tests.integration.daemon import until
from tests.integration.postgres_server import Server, url_of
from tests.integration.processes import free_tcp_port

PRESENTED: Final = "pagereeve.badge.presented.v1"
LINES: Final = 12
MORE: Final = 1_500
KILLS: Final = 2

pytestmark = pytest.mark.timeout(300)


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """Always one of our own: it is killed."""
    with postgres_server.running(None) as server:
        yield server


class Place:
    def __init__(self, server: Server, folder: Path) -> None:
        self.server, self.address = server, server.new_database()
        self.port, self.lines, self.data = a_free_port(), free_tcp_port(), folder / "data"
        password = folder / "password"
        password.write_text(f"{self.address.password}\n")
        config = folder / "pagereeve.toml"
        config.write_text(
            f'data_dir = "{self.data}"\n[http]\nlisten = "127.0.0.1:{self.port}"\n'
            f'[journal]\nurl = "{url_of(self.address)}"\npassword_file = "{password}"\n'
            f'[[gateways]]\nname = "gate-1"\nhost = "127.0.0.1"\n'
            f'[[feeds.lines]]\nname = "door"\nlisten = "127.0.0.1:{self.lines}"\ngateway = "gate-1"\n'
        )
        self.daemon = Daemon(config, self.port)

    def stored(self) -> list[str]:
        asked = f"SELECT event_id FROM fact WHERE kind = '{short_kind(PRESENTED)}' ORDER BY at_us"
        return self.server.run(asked, self.address.database).splitlines()

    async def figure(self, name: str) -> int:
        async with httpx2.AsyncClient() as client:
            page = (await client.get(f"http://127.0.0.1:{self.port}/metrics")).text
        [line] = [one for one in page.splitlines() if one.startswith(f"{name} ")]
        return int(float(line.split()[1]))

    async def until_figure(self, name: str, least: int, most: int = 10**9) -> None:
        async def look() -> bool | None:
            return least <= await self.figure(name) <= most or None

        await until(look, f"{name} from {least} to {most}")

    def spool(self) -> Path:
        [path] = self.data.glob(NAMES)
        return path


@pytest.fixture
async def place(server: Server, tmp_path: Path) -> AsyncIterator[Place]:
    place = Place(server, tmp_path)
    yield place
    process = place.daemon.process
    if process is not None and process.returncode is None:
        process.kill()
        await process.wait()


async def test_what_waits_survives_kills_before_and_while_it_is_replayed(server: Server, place: Place) -> None:
    daemon = place.daemon
    await daemon.start()
    server.stop()
    _, writer = await asyncio.open_connection("127.0.0.1", place.lines)
    writer.write(b"".join(f"{4000 + nth}\n".encode() for nth in range(LINES)))
    await writer.drain()
    await place.until_figure("pagereeve_spool_badges", LINES)
    writer.close()
    assert await daemon.end(signal.SIGKILL) == -signal.SIGKILL
    # Without its database no daemon begins; what waits is left as it is.
    refused = await asyncio.create_subprocess_exec(*argv_of(daemon), stderr=asyncio.subprocess.PIPE)
    _, said = await refused.communicate()
    assert refused.returncode == 2, said
    assert b"Connection refused" in said
    spool = await SpoolFile.open(place.spool())
    waiting = [one.event for one in await spool.events(MORE)]
    assert len(waiting) == LINES
    assert all(one is not None for one in waiting)
    events = [invented(nth) for nth in range(MORE)]
    for event in events:
        await spool.keep_event(event)
    await spool.close()
    server.start()
    kills = 0
    for _ in range(KILLS):
        await daemon.start()
        await place.until_figure("pagereeve_spool_replayed_total", 1)
        kills += await place.figure("pagereeve_spool_badges") > 0
        await daemon.end(signal.SIGKILL)
    await daemon.start()
    await place.until_figure("pagereeve_spool_badges", 0, 0)
    assert await daemon.end(signal.SIGTERM) == 0
    assert kills, "no kill fell into the replay"
    wanted = [one.origin.id for one in [*waiting, *events] if one is not None]
    assert sorted(place.stored()) == sorted(wanted)


def argv_of(daemon: Daemon) -> list[str]:
    return [sys.executable, "-c", CODE, "run", "--config", str(daemon.config)]


def invented(nth: int) -> BadgePresented:
    at_us = 1_760_000_000_000_000 + nth * 1_000_000
    origin = Origin("urn:pagereeve:feed:door", f"{at_us:017d}-gate-1-{nth}", at_us, at_us, None, "missing")
    return BadgePresented("", origin, f"{nth:032x}", "gate-1", "")
