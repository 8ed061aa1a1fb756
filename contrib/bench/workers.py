"""What several daemons with one PostgreSQL do together, beside one daemon with a file: by turns in one run.

    python contrib/bench/workers.py [--printers 120] [--seconds 15] [--rounds 3]

Whole daemons, each a process (`pagereeve run`): one with SQLite, then 1, 2 and 4 with one PostgreSQL 15 as Debian has
it, with fsync, all on this machine. Each side begins empty and is asked the same. First people print, at all printers
at once, one release after another: whole releases a second, from the first notice until the last window is closed and
every fact is sealed. Then 64 senders, shared out among the daemons, hand in badge events, each the next one once the
last was acknowledged: durable events a second. Beside each rate stands what one cost in processor time, of the daemons
with all their processes and of the database's, and how much this process took meanwhile, which plays printers,
readers and release servers.

Where processors are fewer than processes that want them, rates tell of the machine: what more workers do for a site
with a machine for each can't be seen here, only what they cost. There is no target.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import os
import shutil
import signal
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from figures import FILE_VARIABLE, Figure, report
from notice_to_read import CONNECTIONS, Poster, event, raise_file_limit
from processor_times import tree_cpu_s

sys.path.insert(0, str(Path(__file__).parents[2]))

from pagereeve.app.clocks import SystemClock
from pagereeve.app.running import loop_factory
from pagereeve.ports.hints import LIFETIME_S
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.postgres.address import Address
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.acceptance.process import Daemon, a_free_port
from tests.integration.postgres_server import Server, running, url_of

SIDES: Final = (0, 1, 2, 4)
"""Workers with PostgreSQL; 0 stands for one daemon with SQLite."""
PAGES: Final = 5
BEFORE_S, AFTER_S = 0.3, 0.3
"""Of each release: until its pages come out, and until the next one begins."""
READY_S: Final = 3 * LIFETIME_S
CLOSED_S: Final = 120.0
CONFIG: Final = """
data_dir = "{folder}/data"
[http]
listen = "127.0.0.1:{port}"
requests_per_s = 100_000
requests_burst = 1_000_000
[log]
level = "error"
[policy]
settle = "1s"
first_page_floor = "100ms"
speed_per_minute = 6_000
"""
JOURNAL: Final = '[journal]\nurl = "{url}"\npassword_file = "{folder}/password"\nshared = true\n'
GATEWAY: Final = '[[gateways]]\nname = "gate-{0}"\n'
PRINTER: Final = '[[printers]]\nname = "{0}"\nhost = "{1}"\nport = {2}\ngateway = "gate-{0}"\n'
READ: Final = 'SELECT count(*) FROM open_run WHERE body LIKE \'%"fact":"reading"%\''
CLOSED: Final = "SELECT count(*) FROM charge WHERE channel = 'total' AND closed_us IS NOT NULL"
UNSEALED: Final = "SELECT (SELECT count(*) FROM fact) - (SELECT count(*) FROM seal_entry)"


@dataclass(frozen=True)
class Done:
    """``many`` were done in ``took_s``. Processor seconds meanwhile, of the daemons, the database and who asks."""

    many: int
    took_s: float
    daemons_s: float
    database_s: float
    asking_s: float

    @property
    def rate(self) -> float:
        return self.many / self.took_s

    @property
    def cost_ms(self) -> float:
        """Of one, by daemons and database."""
        return 1e3 * (self.daemons_s + self.database_s) / self.many

    @property
    def database_share(self) -> float:
        return self.database_s / (self.daemons_s + self.database_s)


@dataclass
class Side:
    """``workers`` 0: a file."""

    workers: int
    server: Server
    folder: Path
    fleet: Fleet
    address: Address = field(init=False)
    daemons: list[Daemon] = field(default_factory=list)
    posters: list[Poster] = field(default_factory=list)

    async def start(self) -> None:
        """Every printer has been read once, and each worker has its part."""
        self.address = self.server.new_database()
        for nth in range(max(1, self.workers)):
            await self._start_one(nth)
        await self._until(
            lambda: self._count(READ) == len(self.fleet.printers), READY_S, "each printer's first reading"
        )
        if self.workers:
            await self._until(self._is_shared_out, READY_S, "parts")
        for one in self.daemons:
            poster = Poster("127.0.0.1", one.port)
            await poster.start()
            self.posters.append(poster)

    async def _start_one(self, nth: int) -> None:
        folder, port = self.folder / str(nth), a_free_port()
        (folder / "data").mkdir(mode=0o700, parents=True)
        if nth:
            shutil.copy(self.folder / "0" / "data" / "badge.key", folder / "data")
        (folder / "password").write_text(f"{self.address.password}\n", encoding="utf-8")
        text = CONFIG.format(folder=folder, port=port)
        if self.workers:
            text += JOURNAL.format(folder=folder, url=url_of(self.address))
        names = self.fleet.addresses().items()
        text += "".join(GATEWAY.format(name) for name, _ in names)
        text += "".join(PRINTER.format(name, host, there) for name, (host, there) in names)
        config = folder / "pagereeve.toml"
        config.write_text(text, encoding="utf-8")
        # Where contrib/bench/all gathers the figures is no setting of a daemon.
        around = {name: value for name, value in os.environ.items() if name != FILE_VARIABLE}
        daemon = Daemon(config, port, around)
        self.daemons.append(daemon)
        await daemon.start()

    async def stop(self) -> None:
        for one in self.daemons:
            if one.process is not None and one.process.returncode is None:
                await one.end(signal.SIGTERM)
        self.server.drop(self.address)

    def _count(self, question: str) -> int:
        if self.workers:
            return int(self.server.run(question, self.address.database))
        path = self.folder / "0" / "data" / JOURNAL_NAME
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as journal:
            return int(journal.execute(question).fetchone()[0])

    def _is_shared_out(self) -> bool:
        rows = self.server.run(
            "SELECT count(*) FROM hint WHERE kind = 'printer' GROUP BY worker", self.address.database
        )
        parts = [int(one) for one in rows.split()]
        return len(parts) == self.workers and max(parts) - min(parts) <= 1

    async def _until(self, look: Callable[[], bool], within_s: float, what: str) -> None:
        ends_s = time.monotonic() + within_s
        while not await asyncio.to_thread(look):
            if time.monotonic() > ends_s:
                raise SystemExit(f"{self.workers} workers: no {what} within {within_s:.0f} s")
            await asyncio.sleep(0.25)

    async def events(self, seconds: float) -> Done:
        ends_s = time.monotonic() + seconds
        return await self._measured(lambda: self._send_events(ends_s))

    async def releases(self, seconds: float) -> Done:
        """The last of them are closed some seconds after ``seconds``; that counts, too."""
        ends_s = time.monotonic() + seconds
        return await self._measured(lambda: self._print(ends_s))

    async def _measured(self, do: Callable[[], Awaitable[int]]) -> Done:
        began_s, before = time.monotonic(), self._spent()
        many = await do()
        took_s, after = time.monotonic() - began_s, self._spent()
        return Done(many, took_s, *(one - other for one, other in zip(after, before, strict=True)))

    def _spent(self) -> tuple[float, float, float]:
        daemons_s = sum(tree_cpu_s(one.process.pid) for one in self.daemons if one.process is not None)
        database_s = tree_cpu_s(self.server.pid) if self.workers else 0.0
        return daemons_s, database_s, time.process_time()

    async def _send_events(self, ends_s: float) -> int:
        gateways = itertools.cycle(f"gate-{name}" for name in self.fleet.printers)
        numbers = itertools.count()

        async def send(poster: Poster) -> int:
            sent = 0
            while time.monotonic() < ends_s:
                number = next(numbers)
                data = {"badge": f"{number:08x}", "gateway": next(gateways)}
                await acknowledged(poster, event("pagereeve.badge.presented.v1", f"b-{number}", data))
                sent += 1
            return sent

        senders = itertools.islice(itertools.cycle(self.posters), CONNECTIONS)
        return sum(await asyncio.gather(*map(send, senders)))

    async def _print(self, ends_s: float) -> int:
        numbers, posters = itertools.count(), itertools.cycle(self.posters)

        async def people(printer: str) -> None:
            while time.monotonic() < ends_s:
                await self._release(f"r-{next(numbers)}", printer, next(posters))

        await asyncio.gather(*map(people, self.fleet.printers))
        many = next(numbers)
        await self._until(lambda: self._count(CLOSED) == many, CLOSED_S, f"end of {many} releases")
        if unsealed := self._count(UNSEALED):
            raise SystemExit(f"{self.workers} workers: {unsealed} facts are not sealed")
        return many

    async def _release(self, name: str, printer: str, poster: Poster) -> None:
        ticket = {"pages": PAGES, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
        data = {"release": name, "job": f"job-{name}", "owner": "user-anise", "printer": printer, "ticket": ticket}
        await acknowledged(poster, event("pagereeve.release.started.v1", f"{name}.started", data))
        await asyncio.sleep(BEFORE_S)
        self.fleet.printers[printer].mark(PAGES)
        data = {"release": name, "outcome": "completed"}
        await acknowledged(poster, event("pagereeve.release.ended.v1", f"{name}.ended", data))
        await asyncio.sleep(AFTER_S)


async def acknowledged(poster: Poster, one: dict[str, object]) -> None:
    status = await poster.post(one, gated=False)
    if status != 200:
        raise SystemExit(f"an event was answered {status}")


@dataclass
class Came:
    """Of one side, a round each."""

    events: list[Done] = field(default_factory=list)
    releases: list[Done] = field(default_factory=list)


async def measured(options: argparse.Namespace, server: Server) -> dict[int, Came]:
    came = {workers: Came() for workers in SIDES}
    fleet = Fleet(options.printers, SystemClock())
    await fleet.start()
    for nth in range(options.rounds):
        for workers in SIDES:
            with tempfile.TemporaryDirectory(dir=options.folder) as folder:
                side = Side(workers, server, Path(folder), fleet)
                try:
                    await side.start()
                    came[workers].releases.append(await side.releases(options.seconds))
                    came[workers].events.append(await side.events(options.seconds))
                finally:
                    await side.stop()
        print(f"round {nth + 1} of {options.rounds} done", flush=True)
    await fleet.stop()
    return came


def figures_of(came: dict[int, Came]) -> Iterator[Figure]:
    for what in ("events", "releases"):
        alone: list[Done] = getattr(came[0], what)
        for workers, one in came.items():
            done: list[Done] = getattr(one, what)
            yield from _of_side(f"{_named(workers)}, {what}", done)
            if workers:
                rates = statistics.median(ours.rate / file.rate for ours, file in zip(done, alone, strict=True))
                yield Figure(f"{_named(workers)}, {what} a second", rates, _named(0))
                cost = statistics.median(ours.cost_ms / file.cost_ms for ours, file in zip(done, alone, strict=True))
                yield Figure(f"{_named(workers)}, processor time of one of these {what}", cost, _named(0))


def _of_side(what: str, done: Sequence[Done]) -> Iterator[Figure]:
    yield Figure(f"{what} a second", statistics.median(one.rate for one in done), unit="1/s")
    yield Figure(f"{what}: processor time of one", statistics.median(one.cost_ms for one in done), unit="ms")
    share = statistics.median(one.database_share for one in done)
    if share:
        yield Figure(f"{what}: of that the database's part", 100 * share, unit="%")
    asking = statistics.median(one.asking_s / one.took_s for one in done)
    yield Figure(f"{what}: processors that whoever asks takes", asking, unit="")


def _named(workers: int) -> str:
    return f"{workers} with PostgreSQL" if workers else "one with SQLite"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=120)
    parser.add_argument("--seconds", type=float, default=15.0, help="of each measurement: two for each side and round")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--folder", type=Path, default=None, help="for the data folders; default: temporary")
    options = parser.parse_args()
    raise_file_limit()
    # Its processes are looked at, so it is always one of our own.
    with running(None) as server, asyncio.Runner(loop_factory=loop_factory()) as runner:
        came = runner.run(measured(options, server))
    return report(list(figures_of(came)))


if __name__ == "__main__":
    raise SystemExit(main())
