"""Durable events a second in PostgreSQL beside SQLite, by turns in one run: ratios, medians of its rounds.

    python contrib/bench/journal_postgres.py [--rounds 5] [--seconds 3.0] [--url URL] [--folder DIR]

Both journals begin empty and are asked the same: 64 producers whose events share commits, then one that waits for each.
The server is Debian's PostgreSQL 15 as it comes, with fsync, started for the run in a folder of its own, or the one of
--url (its user may make databases). A folder on the disk to be measured: --folder for SQLite, TMPDIR for the server.
There is no target: a file is there for speed, a database for those who keep one anyway.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from figures import Figure, report

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.facts.facts import Origin, ReleaseStarted
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.sqlite.journal import SqlJournal

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.integration.postgres_server import Server, running

AT_US: Final = 1_767_268_800_000_000
PRODUCERS: Final = 64
PRINTERS: Final = 50
Rates = dict[tuple[str, int], list[float]]


def facts() -> Iterator[ReleaseStarted]:
    """Release notices without end, all content invented."""
    ticket = Ticket(pages=7, copies=1, sides="two-sided-long-edge", number_up=1, color_mode="monochrome")
    for number in itertools.count():
        at_us = AT_US + number * 1_000
        yield ReleaseStarted(
            printer=f"printer-{number % PRINTERS}",
            origin=Origin("urn:bench:server", f"b-{number:09d}", at_us, at_us + 900, at_us),
            release=f"b-{number}",
            job=f"job-{number}",
            owner=f"owner-{number % 997}",
            gateway="gateway-1",
            ticket=ticket,
        )


async def rate(journal: SqlJournal | PostgresJournal, producers: int, seconds: float) -> float:
    """Events a second that were acknowledged."""
    source, stored = facts(), 0
    began = time.perf_counter()

    async def produce() -> None:
        nonlocal stored
        for fact in source:
            if time.perf_counter() - began >= seconds:
                return
            await journal.append(fact)
            stored += 1

    try:
        await asyncio.gather(*(produce() for _ in range(producers)))
        return stored / (time.perf_counter() - began)
    finally:
        await journal.close()


async def measure(server: Server, folder: Path, rounds: int, seconds: float) -> Rates:
    rates: Rates = {}
    clock = SystemClock()
    for nth in range(rounds):
        for producers in (PRODUCERS, 1):
            path = folder / f"journal-{nth}-{producers}.sqlite"
            address = server.new_database()
            in_file = await rate(await SqlJournal.open(path, clock), producers, seconds)
            in_database = await rate(await PostgresJournal.open(address, clock, SystemEntropy()), producers, seconds)
            server.drop(address)
            rates.setdefault(("SQLite", producers), []).append(in_file)
            rates.setdefault(("PostgreSQL", producers), []).append(in_database)
        print(f"round {nth + 1} of {rounds} done", flush=True)
    return rates


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=3.0)
    parser.add_argument("--url", default=None, help="a server to use; default: one started for the run")
    parser.add_argument("--folder", type=Path, default=None, help="on the disk to be measured; default: temporary")
    options = parser.parse_args()
    with running(options.url) as server, tempfile.TemporaryDirectory(dir=options.folder) as folder:
        rates = asyncio.run(measure(server, Path(folder), options.rounds, options.seconds))
    figures = []
    for producers in (PRODUCERS, 1):
        what = f"events a second of {producers} producer{'s' if producers > 1 else ''}"
        sides = [rates[name, producers] for name in ("PostgreSQL", "SQLite")]
        figures += [
            Figure(f"{name}, {what}", statistics.median(one), unit="1/s")
            for name, one in zip(("PostgreSQL", "SQLite"), sides, strict=True)
        ]
        ratio = statistics.median(ours / theirs for ours, theirs in zip(*sides, strict=True))
        figures.append(Figure(f"PostgreSQL, {what}", ratio, "SQLite"))
    return report(figures)


if __name__ == "__main__":
    raise SystemExit(main())
