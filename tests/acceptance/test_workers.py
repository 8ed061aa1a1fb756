"""Several daemons with one database, as processes of their own: they share out the printers, one is killed, one stands
still for longer than a hint lives and wakes. No page is lost, none counts twice, and no printer is left unread.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import signal
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, TypeVar

import httpx2
import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.cli import status_of
from pagereeve.domain.values.instants import to_text
from pagereeve.ports.hints import LIFETIME_S
from pagereeve.simulator.printer.model import PrinterSpec, PrintJob
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.snmp.agent import PrinterAgent
from pagereeve.store.postgres.address import Address
from tests.acceptance.process import Daemon, a_free_port
from tests.integration import postgres_server
from tests.integration.daemon import SOURCE, until
from tests.integration.postgres_server import Server, url_of

PRINTERS: Final = ("anvil", "bellows", "chisel", "drill")
PAGES: Final = 5
BASELINE_S: Final = 2.0
STOOD_STILL_S: Final = LIFETIME_S + 5.0
UNREAD_S: Final = 2 * LIFETIME_S + 2 * BASELINE_S
"""Two lifetimes, and a read's own distance before and after."""

WAIT_S: Final = 2 * LIFETIME_S + 60.0
Value = TypeVar("Value")

pytestmark = pytest.mark.timeout(400)


class AskedAgent(PrinterAgent):
    """``asked_s``: when it was asked something."""

    asked_s: list[float]

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        self.asked_s.append(time.monotonic())
        super().datagram_received(data, addr)


@dataclass
class Printer:
    name: str
    engine: PrintEngine
    agent: AskedAgent


@dataclass
class Site:
    """``daemons`` have the same printers, each a folder and a door of its own."""

    server: Server
    address: Address
    folder: Path
    printers: dict[str, Printer]
    daemons: list[Daemon] = field(default_factory=list)
    clock: SystemClock = field(default_factory=SystemClock)

    def config(self, name: str, port: int, *, shared: bool, knows: Sequence[str] = PRINTERS) -> Path:
        folder = self.folder / name
        folder.mkdir()
        (folder / "data").mkdir(mode=0o700)
        key = self.folder / "badge.key"
        if key.exists():
            shutil.copy(key, folder / "data" / "badge.key")
        (folder / "password").write_text(f"{self.address.password}\n")
        printers = "".join(
            f'[[printers]]\nname = "{one.name}"\nhost = "127.0.0.1"\nport = {one.agent.address[1]}\n'
            'community = "testread"\n'
            for one in self.printers.values()
            if one.name in knows
        )
        path = folder / "pagereeve.toml"
        path.write_text(
            f'data_dir = "{folder / "data"}"\n[http]\nlisten = "127.0.0.1:{port}"\n'
            f'[journal]\nurl = "{url_of(self.address)}"\npassword_file = "{folder / "password"}"\n'
            f"shared = {str(shared).lower()}\n"
            f'[watch]\nbaseline = "{BASELINE_S:g}s"\nsleeper_backoff_max = "2s"\nread_timeout = "2s"\n'
            f'poll_first = "200ms"\npoll_longest = "1s"\n'
            '[policy]\nsettle = "1s"\nfirst_page_floor = "100ms"\nunmoved_wait = "60s"\nlongest_window = "120s"\n'
            f'longest_stalled_window = "120s"\nspeed_per_minute = 6_000\n{printers}'
        )
        return path

    async def daemon(self, name: str, *, shared: bool = True, knows: Sequence[str] = PRINTERS) -> Daemon:
        port = a_free_port()
        one = Daemon(self.config(name, port, shared=shared, knows=knows), port)
        self.daemons.append(one)
        await one.start()
        key = self.folder / name / "data" / "badge.key"
        if not (self.folder / "badge.key").exists():
            shutil.copy(key, self.folder / "badge.key")
        return one

    def rows(self, statement: str) -> list[str]:
        return self.server.run(statement, self.address.database).splitlines()

    def held(self) -> dict[str, list[str]]:
        """By worker, the printers that it holds."""
        found: dict[str, list[str]] = {}
        for row in self.rows("SELECT worker, name FROM hint WHERE kind = 'printer' ORDER BY name"):
            worker, name = row.split("|")
            found.setdefault(worker, []).append(name)
        return found

    async def until_read(self) -> None:
        """Each printer once, without which nothing can be subtracted."""

        async def look() -> bool | None:
            return self.rows('SELECT count(*) FROM open_run WHERE body LIKE \'%"fact":"reading"%\'') == ["4"] or None

        await waited(look, "a first reading of each printer")

    async def until_shared_by(self, workers: int) -> dict[str, list[str]]:
        async def look() -> dict[str, list[str]] | None:
            held = self.held()
            each = len(PRINTERS) // workers
            return held if [len(names) for names in held.values()] == [each] * workers and "" not in held else None

        return await waited(look, f"{workers} workers with a part each")

    async def sent(self, daemon: Daemon, kind: str, name: str, data: Mapping[str, object]) -> None:
        event = {"specversion": "1.0", "id": name, "source": SOURCE, "type": kind, "data": data}
        body = json.dumps(event | {"time": to_text(self.clock.now_us())})
        async with httpx2.AsyncClient(timeout=20.0) as client:
            url, head = f"http://127.0.0.1:{daemon.port}/v1/events", {"Content-Type": "application/cloudevents+json"}
            answer = await client.post(url, content=body.encode(), headers=head)
        assert answer.status_code == 200, answer.text

    async def release(self, name: str, printer: str, begins: Daemon, ends: Daemon) -> None:
        """Its notices come to two doors."""
        ticket = {"pages": PAGES, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
        data = {"release": name, "job": f"job-{name}", "owner": "user-anise", "printer": printer, "ticket": ticket}
        await self.sent(begins, "pagereeve.release.started.v1", f"{name}.started", data)
        await asyncio.sleep(0.3)
        self.printers[printer].engine.submit(PrintJob(f"job-{name}", PAGES), self.clock.now_us())
        data = {"release": name, "outcome": "completed"}
        await self.sent(ends, "pagereeve.release.ended.v1", f"{name}.ended", data)

    async def until_charged(self, *releases: str) -> None:
        names = ", ".join(f"'{one}'" for one in releases)
        asked = (
            f"SELECT count(*) FROM charge WHERE channel = 'total' AND closed_us IS NOT NULL AND release IN ({names})"
        )

        async def look() -> bool | None:
            return self.rows(asked) == [str(len(releases))] or None

        await waited(look, f"charges of {names}")

    def ledger(self) -> list[str]:
        return self.rows("SELECT release, printer, charged FROM charge WHERE channel = 'total' ORDER BY release")


async def waited(look: Callable[[], Awaitable[Value | None]], what: str) -> Value:
    async with asyncio.timeout(WAIT_S):
        while True:
            with suppress(AssertionError):
                return await until(look, what)


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    with postgres_server.running() as server:
        yield server


@pytest.fixture
async def place(server: Server, tmp_path: Path) -> AsyncIterator[Site]:
    clock = SystemClock()
    async with AsyncExitStack() as stack:
        printers = {}
        for nth, name in enumerate(PRINTERS):
            engine = PrintEngine(PrinterSpec(name, impressions_per_minute=240, warm_up_us=0), nth, clock.now_us())
            agent = AskedAgent(engine, clock, community="testread")
            agent.asked_s = []
            await agent.start()
            stack.push_async_callback(agent.stop)
            printers[name] = Printer(name, engine, agent)
        site = Site(server, server.new_database(), tmp_path, printers)
        yield site
        for one in site.daemons:
            if one.process is not None and one.process.returncode is None:
                one.process.kill()
                await one.process.wait()
        server.drop(site.address)


def longest_unread_s(printer: Printer) -> float:
    return max(after - before for before, after in pairwise(printer.agent.asked_s))


def commands_agree(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the rows say is what follows from the facts, as one process replays them."""
    for command in (["verify"], ["replay", "--check"]):
        assert status_of([*command, "--config", str(config)]) == 0, capsys.readouterr()


async def test_two_daemons_one_killed_one_stopped_and_awake_again(
    place: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    first = await place.daemon("first")
    assert list(place.held().values()) == [list(PRINTERS)]
    await place.until_read()
    second = await place.daemon("second")
    shared = await place.until_shared_by(2)
    # Each printer's notices come to both doors: whoever watches it learns of them.
    await asyncio.gather(*(place.release(f"A-{name}", name, first, second) for name in PRINTERS))
    await place.until_charged(*(f"A-{name}" for name in PRINTERS))
    # One is killed while paper comes out.
    begun = [asyncio.create_task(place.release(f"B-{name}", name, second, second)) for name in PRINTERS]
    await asyncio.sleep(0.2)
    assert await first.end(signal.SIGKILL) == -signal.SIGKILL
    await asyncio.gather(*begun)
    alone = await place.until_shared_by(1)
    assert set(alone) < set(shared)
    await place.until_charged(*(f"B-{name}" for name in PRINTERS))
    # The other stands still while paper comes out; a third one has all of it meanwhile.
    third = await place.daemon("third")
    await place.until_shared_by(2)
    assert second.process is not None
    begun = [asyncio.create_task(place.release(f"C-{name}", name, third, third)) for name in PRINTERS]
    await asyncio.sleep(0.2)
    os.kill(second.process.pid, signal.SIGSTOP)
    await asyncio.gather(*begun)
    await place.until_shared_by(1)
    await place.until_charged(*(f"C-{name}" for name in PRINTERS))
    os.kill(second.process.pid, signal.SIGCONT)
    await place.until_shared_by(2)
    await asyncio.gather(*(place.release(f"D-{name}", name, second, third) for name in PRINTERS))
    await place.until_charged(*(f"D-{name}" for name in PRINTERS))
    assert await second.end(signal.SIGTERM) == 0
    await place.until_shared_by(1)
    assert await third.end(signal.SIGTERM) == 0
    assert place.held() == {"": list(PRINTERS)}
    assert place.ledger() == [f"{part}-{name}|{name}|{PAGES}" for part in "ABCD" for name in PRINTERS]
    assert [one.engine.total().marked for one in place.printers.values()] == [4 * PAGES] * len(PRINTERS)
    unread = {name: longest_unread_s(one) for name, one in place.printers.items()}
    assert max(unread.values()) < UNREAD_S, unread
    await asyncio.to_thread(commands_agree, place.folder / "third" / "pagereeve.toml", capsys)


async def test_a_daemon_that_was_killed_has_back_at_once_what_it_read_and_is_the_same_one(place: Site) -> None:
    first = await place.daemon("first")
    await place.daemon("second")
    shared = await place.until_shared_by(2)
    (killed,) = place.rows("SELECT min(number) FROM worker")
    assert await first.end(signal.SIGKILL) == -signal.SIGKILL
    # Nobody takes what it had because its signs are old.
    place.rows(f"UPDATE worker SET until = until + interval '1 hour' WHERE number = {killed}")
    await first.start()
    (again,) = place.rows("SELECT max(number) FROM worker")
    assert place.held()[again] == shared[killed]
    assert killed not in place.rows("SELECT number FROM worker")
    told = [json.loads(row) for row in place.rows("SELECT body FROM fact WHERE kind = 'clock-changed' ORDER BY seq")]
    names = [one["daemon"] for one in told if one["change"] in {"started", "not-agreed"}]
    assert names[0] == names[2] != names[1]
    assert names[0] == (place.folder / "first" / "data" / "daemon.name").read_text().strip()


async def test_printers_that_one_daemon_alone_knows_are_read_by_it(place: Site) -> None:
    first = await place.daemon("first", knows=PRINTERS[1:])
    second = await place.daemon("second", knows=PRINTERS[:3])

    async def divided() -> list[list[str]] | None:
        held = [names for _, names in sorted(place.held().items())]
        return held if [len(names) for names in held] == [2, 2] else None

    ours, theirs = await waited(divided, "each printer with a daemon that knows it")
    assert ("drill" in ours, "anvil" in theirs) == (True, True)
    assert sorted([*ours, *theirs]) == list(PRINTERS)
    await place.until_read()
    assert await first.end(signal.SIGTERM) == 0

    async def taken() -> bool | None:
        return place.held() == {"": ["drill"], max(place.held()): list(PRINTERS[:3])} or None

    await waited(taken, "what both know with the one that is left")
    assert await second.end(signal.SIGTERM) == 0
