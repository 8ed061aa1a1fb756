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
import signal
import sys
from collections import Counter
from collections.abc import AsyncIterator, Coroutine, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Final

import asyncpg
import httpx2
from worker_network import Cut
from worker_site import BASELINE_S, PORT, WORKERS, Printer, Site, Worker, a_site

sys.path.insert(0, str(Path(__file__).parents[2]))

from pagereeve.app.clocks import SystemClock
from pagereeve.app.journals import reads_of
from pagereeve.app.replay import history
from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.values.instants import to_text
from pagereeve.ports.hints import LIFETIME_S

SEED: Final = 20261130
UNREAD_MAX_S: Final = 2 * LIFETIME_S + 2 * BASELINE_S
"""Two lifetimes, and a read's own distance before and after."""
LONG_S: Final = LIFETIME_S + 5.0
KILLED_S: Final = 2.0
SHORT_S: Final = (0.5, 1.5, 3.0)
CATCH_MAX_S: Final = 40.0
GATED_EVERY: Final = 4
SOURCE: Final = "/drill/release-server"


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
