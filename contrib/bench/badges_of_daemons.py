"""Badge events a second of several daemons with one PostgreSQL journal, on one timeline and on several: by turns in one
run, medians of its rounds.

    python contrib/bench/badges_of_daemons.py [--rounds 3] [--seconds 4.0] [--url URL]

Each daemon's writer is a process of its own with 64 producers, whose badges come of 20 gateways. `one` is what runs:
all on the site's timeline. `gateway` has a timeline for each gateway, which all share, `own` one for each gateway and
daemon. How many groups are joined again is beside each. There is no target: it shows whether one timeline costs.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

import uvloop
from figures import Figure, report

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.facts.facts import BadgePresented, Origin
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.journal import PostgresJournal

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.integration.postgres_server import Server, running, url_of

AT_US: Final = 1_767_268_800_000_000
PRODUCERS: Final = 64
GATEWAYS: Final = 20
TIMELINES: Final = ("one", "gateway", "own")
WORKER: Final = "--worker"


class Measured(NamedTuple):
    stored: int
    wall_s: float
    cpu_s: float
    clashes: int


def badges(worker: str, timelines: str) -> Iterator[BadgePresented]:
    """All content invented."""
    for number in itertools.count():
        gateway, at_us = f"gateway-{number % GATEWAYS}", AT_US + number * 1_000
        timeline = {"one": "", "gateway": gateway, "own": f"{gateway}-{worker}"}[timelines]
        origin = Origin(f"urn:bench:{worker}", f"b-{number:09d}", at_us, at_us + 900, at_us)
        yield BadgePresented(timeline, origin, f"{number % 5_000:032x}", gateway)


async def work(worker: str, timelines: str, url: str, password: str, seconds: float) -> Measured:
    journal = await PostgresJournal.open(Address.of(url, password), SystemClock(), SystemEntropy(), company="shared")
    print("ready", flush=True)
    await asyncio.to_thread(sys.stdin.readline)
    source, stored = badges(worker, timelines), 0
    began_s, began_cpu_s = time.perf_counter(), cpu_s()

    async def produce() -> None:
        nonlocal stored
        for badge in source:
            if time.perf_counter() - began_s >= seconds:
                return
            await journal.append(badge)
            stored += 1

    await asyncio.gather(*(produce() for _ in range(PRODUCERS)))
    measured = Measured(stored, time.perf_counter() - began_s, cpu_s() - began_cpu_s, journal.clashes)
    await journal.close()
    return measured


def cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def together(server: Server, workers: int, timelines: str, seconds: float) -> list[Measured]:
    address = server.new_database()
    given = (timelines, url_of(address), address.password or "", str(seconds))
    argv = [sys.executable, __file__, WORKER]
    processes = [
        subprocess.Popen([*argv, str(nth), *given], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        for nth in range(workers)
    ]
    lines = [one.stdout.readline() for one in processes if one.stdout is not None]
    if lines != ["ready\n"] * workers:
        raise RuntimeError("a worker did not begin")
    said = [one.communicate("\n")[0] for one in processes]
    server.drop(address)
    return [Measured(*json.loads(one)) for one in said]


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=4.0)
    parser.add_argument("--url", default=None, help="a server to use; default: one started for the run")
    options = parser.parse_args()
    rounds: dict[tuple[int, str], list[list[Measured]]] = {}
    with running(options.url) as server:
        for nth in range(options.rounds):
            for workers, timelines in itertools.product((2, 3), TIMELINES):
                done = together(server, workers, timelines, options.seconds)
                rounds.setdefault((workers, timelines), []).append(done)
            print(f"round {nth + 1} of {options.rounds} done", flush=True)
    figures = []
    for (workers, timelines), runs in rounds.items():
        what = f"{workers} daemons, {timelines}"
        rate = statistics.median(sum(one.stored / one.wall_s for one in run) for run in runs)
        cpu = statistics.median(sum(one.cpu_s for one in run) / sum(one.stored for one in run) for run in runs)
        clashes = sum(one.clashes for run in runs for one in run)
        figures.append(Figure(f"{what}: badge events a second", rate, unit="1/s"))
        figures.append(Figure(f"{what}: processor time for an event", cpu * 1e6, unit="us"))
        figures.append(Figure(f"{what}: groups joined again", float(clashes), unit="groups"))
    return report(figures)


if __name__ == "__main__":
    if sys.argv[1:2] == [WORKER]:
        number, kind, url, password, seconds = sys.argv[2:]
        print(json.dumps(uvloop.run(work(number, kind, url, password, float(seconds)))))
        raise SystemExit(0)
    raise SystemExit(main())
