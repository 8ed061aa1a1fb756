"""Three daemons with one database: one is killed, one frozen in its transactions, one cut off, while people print.

Each runs as users run it (`pagereeve run`), in a network namespace of its own; the database and the printers are on
this machine. Every badge and notice is handed to two of the three, by turns, until both have acknowledged it. Rounds
follow one another: one daemon is killed with SIGKILL and started again; another is stopped (SIGSTOP) the moment
pg_stat_activity shows one of its transactions that writes, several times for a moment and once for longer than a hint
lives; the third is cut off from the database and the printers for as long, now unplugged, now with all that is sent
lost. Who is which goes round, and one of them is always left alone. Afterwards:

    nothing that was acknowledged is lost, nothing is there twice, no timeline and no seal has a gap,
    nothing waits in a spool while its worker runs,
    `pagereeve verify` and `pagereeve replay --check` (one process, from the facts alone) find nothing,
    the accounts of each printer are what it printed, and no printer was unread for longer than two lifetimes.

    python contrib/drill/three_workers.py                    # 6 rounds: 15 minutes; needs root and PostgreSQL 15
    python contrib/drill/three_workers.py --rounds 1
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable, Coroutine, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, closing
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any, Final

import asyncpg
import httpx2
from worker_network import Cut, Machine, Network

sys.path.insert(0, str(Path(__file__).parents[2]))

from pagereeve.app.clocks import SystemClock
from pagereeve.app.journals import reads_of
from pagereeve.app.replay import history
from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.values.instants import to_text
from pagereeve.ports.hints import LIFETIME_S
from pagereeve.simulator.college.fleet import FleetPrinter
from pagereeve.simulator.printer.model import PrinterSpec
from pagereeve.store.postgres.address import Address
from tests.acceptance.process import CODE, Daemon
from tests.integration import postgres_server
from tests.integration.postgres_server import Server, url_of

SEED: Final = 20261130
WORKERS: Final = ("anise", "borage", "caraway")
PRINTERS: Final = 6
PORT: Final = 8731
BASELINE_S: Final = 2.0
UNREAD_MAX_S: Final = 2 * LIFETIME_S + 2 * BASELINE_S
"""Two lifetimes, and a read's own distance before and after."""
LONG_S: Final = LIFETIME_S + 5.0
KILLED_S: Final = 2.0
SHORT_S: Final = (0.5, 1.5, 3.0)
CATCH_MAX_S: Final = 40.0
SHARED_MAX_S: Final = 4 * LIFETIME_S
REST_MAX_S: Final = 120.0
LOOK_EVERY_S: Final = 0.5
GATED_EVERY: Final = 4
SPOOLED: Final = ("event", "run", "open_run")
SOURCE: Final = "/drill/release-server"
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


@dataclass
class ReleaseServer:
    """Prints at each printer, one release after another, and tells two workers of each step. Paper comes out once the
    first of them has acknowledged the notice.
    """

    site: Site
    random: Random
    clients: Mapping[str, httpx2.AsyncClient]
    ending: bool = False
    releases: dict[str, int] = field(default_factory=dict)
    events: set[str] = field(default_factory=set)
    heard: Counter[str] = field(default_factory=Counter)
    """How many workers acknowledged each event."""
    answers: Counter[int] = field(default_factory=Counter)
    _handing: set[asyncio.Task[None]] = field(default_factory=set)

    async def run(self) -> None:
        await asyncio.gather(*(self._people(printer) for printer in self.site.printers.values()))
        await asyncio.gather(*self._handing)

    async def _people(self, printer: Printer) -> None:
        while not self.ending:
            await self._release(printer)
            await asyncio.sleep(self.random.uniform(0.2, 2.0))

    async def _release(self, printer: Printer) -> None:
        name, pages = f"r{len(self.releases):05d}", self.random.randint(1, 9)
        self.releases[name] = pages
        gated = len(self.releases) % GATED_EVERY == 0
        badge = {"badge": str(5_000 + self.random.randrange(50)), "gateway": f"gate-{printer.name}"}
        await self._tell("badge.presented", f"{name}.badge", badge)
        ticket = {"pages": pages, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
        started = {"release": name, "job": f"job-{name}", "owner": "user-anise", "printer": printer.name}
        await self._tell("release.started", f"{name}.started", {**started, "ticket": ticket}, gated=gated)
        await asyncio.sleep(self.random.uniform(0.1, 0.5))
        for _ in range(pages):
            printer.mark(1)
            await asyncio.sleep(0.03)
        await self._tell("release.ended", f"{name}.ended", {"release": name, "outcome": "completed"})

    async def _tell(self, kind: str, name: str, data: Mapping[str, object], *, gated: bool = False) -> None:
        """Until one of two has acknowledged it; the other is told for as long as it takes."""
        event = {"specversion": "1.0", "id": name, "source": SOURCE, "type": f"pagereeve.{kind}.v1", "data": data}
        body = json.dumps(event | {"time": to_text(SystemClock().now_us())}).encode()
        self.events.add(name)
        workers = self.random.sample(self.site.workers, 2)
        handing = [asyncio.create_task(self._hand(one, name, body, gated=gated)) for one in workers]
        self._handing.update(handing)
        for one in handing:
            one.add_done_callback(self._handing.discard)
        await asyncio.wait(handing, return_when=asyncio.FIRST_COMPLETED)
        for one in handing:
            if one.done():
                one.result()

    async def _hand(self, worker: Worker, name: str, body: bytes, *, gated: bool) -> None:
        headers = {"Content-Type": "application/cloudevents+json"} | ({"Prefer": "wait=2"} if gated else {})
        url = f"http://{worker.machine.address}:{PORT}/v1/events"
        while True:
            with contextlib.suppress(httpx2.TransportError):
                answer = await self.clients[worker.name].post(url, content=body, headers=headers)
                self.answers[answer.status_code] += 1
                if answer.status_code == 200:
                    self.heard[name] += 1
                    return
                assert answer.status_code == 503, answer.text
            await asyncio.sleep(0.3)


@dataclass
class Caught:
    """How often a worker was stopped with a transaction open, or with a commit sent whose answer it had not read; and
    how often the transaction had ended before the process stood still, which is not counted and tried again.
    """

    open: int = 0
    committing: int = 0
    missed: int = 0

    @property
    def all(self) -> int:
        return self.open + self.committing


@dataclass
class Freezer:
    """Stops a worker in the middle of a transaction that writes."""

    look: asyncpg.Connection
    caught: Caught = field(default_factory=Caught)
    _WRITING: Final = (
        "SELECT pid, xact_start, query FROM pg_stat_activity WHERE client_addr = $1::text::inet "
        "AND backend_xid IS NOT NULL AND state IN ('active', 'idle in transaction') LIMIT 1"
    )
    _STILL: Final = "SELECT 1 FROM pg_stat_activity WHERE pid = $1 AND xact_start = $2"

    async def freeze(self, worker: Worker, hold_s: float) -> None:
        """It goes on after ``hold_s``. Raises TimeoutError where it was never caught."""
        async with asyncio.timeout(CATCH_MAX_S):
            while not await self._caught(worker):
                self.caught.missed += 1
                os.kill(worker.pid, signal.SIGCONT)
        try:
            await asyncio.sleep(hold_s)
        finally:
            os.kill(worker.pid, signal.SIGCONT)

    async def _caught(self, worker: Worker) -> bool:
        while True:
            seen = await self.look.fetchrow(self._WRITING, worker.machine.address)
            if seen is not None:
                break
        os.kill(worker.pid, signal.SIGSTOP)
        # What was on its way to the server by then is done there.
        await asyncio.sleep(0.2)
        if await self.look.fetchval(self._STILL, seen["pid"], seen["xact_start"]):
            self.caught.open += 1
        elif seen["query"].startswith("COMMIT"):
            self.caught.committing += 1
        else:
            return False
        return True


@dataclass
class Trial:
    site: Site
    people: ReleaseServer
    freezer: Freezer
    shared_s: list[float] = field(default_factory=list)
    kills: int = 0
    cuts: int = 0

    async def round(self, nth: int) -> None:
        killed, frozen, cut_off = (self.site.workers[(nth + place) % len(WORKERS)] for place in range(3))
        if nth % 2 == 0:
            await self._befalls(self._kill(killed), self._freeze(frozen, *SHORT_S))
            await self._befalls(self._cut(cut_off, "swallowed"), self._freeze(frozen, LONG_S))
        else:
            await self._befalls(self._kill(killed), self._cut(cut_off, "unplugged"), self._freeze(frozen, *SHORT_S))
            await self._befalls(self._freeze(frozen, LONG_S))

    async def _befalls(self, *all_at_once: Coroutine[None, None, None]) -> None:
        await asyncio.gather(*all_at_once)
        self.shared_s.append(await self.site.until_shared())

    async def _kill(self, worker: Worker) -> None:
        await worker.end(signal.SIGKILL)
        self.kills += 1
        await asyncio.sleep(KILLED_S)
        await worker.start()

    async def _freeze(self, worker: Worker, *holds_s: float) -> None:
        for hold_s in holds_s:
            await self.freezer.freeze(worker, hold_s)
            await asyncio.sleep(0.5)

    async def _cut(self, worker: Worker, how: Cut) -> None:
        with worker.machine.cut_off(how):
            self.cuts += 1
            await asyncio.sleep(LONG_S)


@asynccontextmanager
async def clients() -> AsyncIterator[Mapping[str, httpx2.AsyncClient]]:
    async with AsyncExitStack() as stack:
        limits = httpx2.Limits(max_connections=None)
        made = {name: httpx2.AsyncClient(timeout=5.0, limits=limits) for name in WORKERS}
        for one in made.values():
            await stack.enter_async_context(one)
        yield made


async def tried(site: Site, rounds: int) -> Trial:
    """All disturbances, and then rest. Every worker has ended in order on return."""
    await site.until_read()
    await site.until_shared()
    address = site.address
    async with clients() as made:
        look = await asyncpg.connect(
            host=address.host, port=address.port, user=address.user, password=address.password, database="postgres"
        )
        trial = Trial(site, ReleaseServer(site, Random(SEED), made), Freezer(look))
        load = asyncio.create_task(trial.people.run())
        for nth in range(rounds):
            disturbed = asyncio.create_task(trial.round(nth))
            await asyncio.wait((load, disturbed), return_when=asyncio.FIRST_COMPLETED)
            if load.done():
                load.result()
            await disturbed
        trial.people.ending = True
        await load
        await look.close()
    await site.until_brought()
    await site.until_at_rest(len(trial.people.releases))
    for left, one in reversed([*enumerate(site.workers)]):
        assert await one.end(signal.SIGTERM) == 0, one.name
        if left:
            await site.until_shared(left)
    return trial


async def problems(trial: Trial) -> list[str]:
    """Of what must hold afterwards; empty where all of it does."""
    found = [*_of_events(trial), *_of_numbers(trial.site), *await _of_pages(trial)]
    said = {one: await trial.site.command(*one.split()) for one in ("verify", "replay --check")}
    found += [f"{command}: {words}" for command, words in said.items() if words]
    found += [
        f"{one.name} was unread for {one.unread_s:.1f} s"
        for one in trial.site.printers.values()
        if one.unread_s > UNREAD_MAX_S
    ]
    return found


def _of_events(trial: Trial) -> list[str]:
    people = trial.people
    stored = Counter(row[0] for row in trial.site.rows(f"SELECT event_id FROM fact WHERE source = '{SOURCE}'"))
    lost, twice = people.events - stored.keys(), {name for name, times in stored.items() if times > 1}
    unheard = {name for name in people.events if people.heard[name] != 2}
    charged = Counter(row[0] for row in trial.site.rows("SELECT release FROM charge WHERE channel = 'total'"))
    expected = Counter(dict.fromkeys(people.releases, 1))
    named = {
        "lost": lost,
        "twice": twice,
        "not acknowledged by both": unheard,
        "invented": stored.keys() - people.events,
    }
    found = [f"{len(names)} events {what}: {sorted(names)[:5]}" for what, names in named.items() if names]
    if charged != expected:
        found.append(f"charges: {(charged - expected) + (expected - charged)}")
    return found


def _of_numbers(site: Site) -> Sequence[str]:
    gaps = site.rows("SELECT printer FROM fact GROUP BY printer HAVING min(seq) <> 1 OR max(seq) <> count(*)")
    places = site.rows(
        "SELECT size FROM seal WHERE size <> (SELECT count(*) FROM seal_entry) OR size <> (SELECT count(*) FROM fact) "
        "OR size <> (SELECT max(position) - min(position) + 1 FROM seal_entry)"
    )
    return [f"gaps on timelines: {gaps}"] * bool(gaps) + [f"gaps in the seal of {places}"] * bool(places)


async def _of_pages(trial: Trial) -> list[str]:
    found = []
    async with await reads_of(trial.site.address) as journal:
        for name, printer in trial.site.printers.items():
            whole, segments = await history(journal, name), await journal.segments(name)
            postings = [posting for segment in segments for posting in segment.postings]
            lines = conserved(name, whole.runs.runs, whole.windows, postings)
            printed, accounted = printer.count - printer.began, sum(line.accounted for line in lines)
            if accounted != printed or not all(line.ok for line in lines):
                found.append(f"{name} printed {printed} and its accounts say {accounted}: {lines}")
    return found


def figures(trial: Trial) -> list[str]:
    people, caught, site = trial.people, trial.freezer.caught, trial.site
    charged = site.rows("SELECT sum(charged) FROM charge WHERE channel = 'total'")[0][0]
    printed = sum(one.count - one.began for one in site.printers.values())
    facts = site.rows("SELECT count(*) FROM fact")[0][0]
    return [
        f"{len(people.releases)} releases, {len(people.events)} events to two workers each; {facts} facts",
        f"answers by status: {dict(sorted(people.answers.items()))}",
        f"{trial.kills} kills, {trial.cuts} cuts of {LONG_S:.0f} s",
        f"frozen in an open transaction {caught.open} times, with a commit under way {caught.committing} times",
        f"let go at once, as the transaction had just ended: {caught.missed}",
        f"printed {printed} pages, of which {charged} are charged to their releases",
        f"longest unread: {max(one.unread_s for one in site.printers.values()):.1f} s (at most {UNREAD_MAX_S:.0f})",
        f"shared out again after: {', '.join(f'{one:.0f} s' for one in trial.shared_s)}",
    ]


async def drill(rounds: int) -> bool:
    async with a_site() as site:
        trial = await tried(site, rounds)
        wrong = await problems(trial)
        print("\n".join([*figures(trial), *wrong]), flush=True)
    return not wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=6)
    return 0 if asyncio.run(drill(parser.parse_args().rounds)) else 1


if __name__ == "__main__":
    sys.exit(main())
