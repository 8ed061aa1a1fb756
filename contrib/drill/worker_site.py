"""The site of `three_workers.py`: daemons in network namespaces of their own, and a database server and printers beside
them.
"""

from __future__ import annotations

import asyncio
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager, closing
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from worker_network import Machine, Network

sys.path.insert(0, str(Path(__file__).parents[2]))

from pagereeve.app.clocks import SystemClock
from pagereeve.ports.hints import LIFETIME_S
from pagereeve.simulator.college.fleet import FleetPrinter
from pagereeve.simulator.printer.model import PrinterSpec
from pagereeve.store.postgres.address import Address
from tests.acceptance.process import CODE, Daemon
from tests.integration import postgres_server
from tests.integration.postgres_server import Server, url_of

WORKERS: Final = ("anise", "borage", "caraway")
PRINTERS: Final = 6
PORT: Final = 8731
BASELINE_S: Final = 2.0
SHARED_MAX_S: Final = 4 * LIFETIME_S
REST_MAX_S: Final = 120.0
LOOK_EVERY_S: Final = 0.5
SPOOLED: Final = ("event", "run", "open_run")
CONFIG: Final = """
data_dir = "{folder}/data"
[http]
listen = "{host}:{port}"
behind_proxy = true
[log]
level = "warning"
[journal]
url = "{url}"
password_file = "{folder}/password"
shared = true
[watch]
baseline = "{baseline:g}s"
sleeper_backoff_max = "{baseline:g}s"
read_timeout = "1s"
poll_first = "200ms"
poll_longest = "1s"
[policy]
settle = "1s"
first_page_floor = "100ms"
unmoved_wait = "10s"
longest_window = "60s"
longest_stalled_window = "60s"
speed_per_minute = 6_000
"""
PRINTER: Final = '[[printers]]\nname = "{0}"\nhost = "{1}"\nport = {2}\ngateway = "gate-{0}"\n'
GATEWAY: Final = '[[gateways]]\nname = "gate-{0}"\n'


class Printer(FleetPrinter):
    """``asked_s``: when it was asked something."""

    def __init__(self, name: str, nth: int, clock: SystemClock) -> None:
        super().__init__(PrinterSpec(name, serial=f"TW-{nth:04d}", start_count=1_000 * nth), clock, "public")
        self.began = self.count
        self.asked_s: list[float] = []

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        self.asked_s.append(time.monotonic())
        super().datagram_received(data, addr)

    @property
    def unread_s(self) -> float:
        return max(after - before for before, after in pairwise(self.asked_s))


@dataclass
class Worker(Daemon):
    name: str = ""
    machine: Machine = field(default_factory=lambda: Machine("", ""))

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid


@dataclass
class Site:
    server: Server
    address: Address
    folder: Path
    network: Network
    printers: dict[str, Printer]
    workers: list[Worker] = field(default_factory=list)

    async def begin(self) -> None:
        """One makes the badge key; the others have it before they start."""
        for name, machine in zip(WORKERS, self.network.machines, strict=True):
            config = self._configure(name, machine)
            self.workers.append(
                Worker(config, PORT, host=machine.address, within=machine.within, name=name, machine=machine)
            )
        await self.workers[0].start()
        key = self.workers[0].config.parent / "data" / "badge.key"
        for one in self.workers[1:]:
            shutil.copy(key, one.config.parent / "data" / "badge.key")
        await asyncio.gather(*(one.start() for one in self.workers[1:]))

    def _configure(self, name: str, machine: Machine) -> Path:
        folder = self.folder / name
        (folder / "data").mkdir(mode=0o700, parents=True)
        (folder / "password").write_text(f"{self.address.password}\n")
        text = CONFIG.format(
            folder=folder, host=machine.address, port=PORT, url=url_of(self.address), baseline=BASELINE_S
        )
        text += "".join(GATEWAY.format(one) for one in self.printers)
        text += "".join(
            PRINTER.format(one.name, self.network.address, one.address[1]) for one in self.printers.values()
        )
        path = folder / "pagereeve.toml"
        path.write_text(text)
        return path

    def rows(self, statement: str) -> list[list[str]]:
        return [row.split("|") for row in self.server.run(statement, self.address.database).splitlines()]

    def parts(self) -> list[int]:
        """How many printers each worker that is alive holds; one that was killed a moment ago still counts."""
        asked = (
            "SELECT count(hint.name) FROM worker LEFT JOIN hint ON worker = number AND kind = 'printer' "
            "WHERE until > clock_timestamp() GROUP BY number"
        )
        return [int(row[0]) for row in self.rows(asked)]

    async def until_shared(self, by: int = len(WORKERS)) -> float:
        """Until so many workers have their parts, and nobody else is thought alive; the seconds that it took."""
        began_s = time.monotonic()
        await until(lambda: self.parts() == [PRINTERS // by] * by, SHARED_MAX_S)
        return time.monotonic() - began_s

    async def until_brought(self) -> None:
        """What each worker had to put into its spool is in the journal."""
        await until(lambda: not any(map(self._waits, self.workers)), SHARED_MAX_S)

    @staticmethod
    def _waits(worker: Worker) -> int:
        (path,) = (worker.config.parent / "data").glob("spool-*.sqlite")
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as spool:
            return sum(int(spool.execute(f"SELECT count(*) FROM {name}").fetchone()[0]) for name in SPOOLED)

    async def until_read(self) -> None:
        """Each printer once, without which nothing can be subtracted."""
        asked = 'SELECT count(*) FROM open_run WHERE body LIKE \'%"fact":"reading"%\''
        await until(lambda: self.rows(asked) == [[str(PRINTERS)]], SHARED_MAX_S)

    async def until_at_rest(self, releases: int) -> None:
        asked = "SELECT count(*) FROM charge WHERE channel = 'total' AND closed_us IS NOT NULL"
        await until(lambda: self.rows(asked) == [[str(releases)]], REST_MAX_S)

    async def command(self, *words: str) -> str:
        """What it says, where it does not end well."""
        argv = (sys.executable, "-c", CODE, *words, "--config", str(self.workers[0].config))
        pipe = asyncio.subprocess.PIPE
        process = await asyncio.create_subprocess_exec(*argv, stdout=pipe, stderr=asyncio.subprocess.STDOUT)
        said, _ = await process.communicate()
        return said.decode() if process.returncode else ""


async def until(look: Callable[[], bool], within_s: float) -> None:
    async with asyncio.timeout(within_s):
        while True:
            if look():
                return
            await asyncio.sleep(LOOK_EVERY_S)


@asynccontextmanager
async def a_site() -> AsyncIterator[Site]:
    clock = SystemClock()
    async with AsyncExitStack() as stack:
        network = stack.enter_context(Network(len(WORKERS)))
        server = stack.enter_context(postgres_server.elsewhere(network.address, network.mask))
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        printers = {f"printer-{nth}": Printer(f"printer-{nth}", nth, clock) for nth in range(1, PRINTERS + 1)}
        for one in printers.values():
            await one.bind(network.address, 0)
            stack.callback(one.close)
        site = Site(server, server.new_database(), folder, network, printers)
        stack.push_async_callback(_end_all, site)
        await site.begin()
        yield site


async def _end_all(site: Site) -> None:
    for one in site.workers:
        if one.process is not None and one.process.returncode is None:
            await one.end(signal.SIGKILL)
