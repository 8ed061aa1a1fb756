"""What does one release cost the daemon, from its notice to its closed and sealed row?

    python contrib/bench/whole_life.py [--printers 2000] [--rate 100] [--seconds 30] [--rounds 3]

The daemon (real HTTP, SQLite, UDP, the users' loop) runs in this process; printers with a billed counter and five
witnesses, and the release server, in another. Its processor time from the first notice until the last row is closed,
less what as long a time costs with no release, is divided by the releases. Beside it, in the same run, what its parts
cost alone: as many reads by net-snmp's C API (where it can be compiled), as many rows by sqlite3 itself in groups. And
what the same life would cost with pysnmp's reads in the place of ours. Targets: at most 3 ms.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import sqlite3
import statistics
import sys
import tempfile
import time
from argparse import Namespace
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final

import meter_read
from figures import Figure, report
from notice_to_read import Poster, all_read_once, one_release, raise_file_limit

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.running import loop_factory, tune_interpreter
from pagereeve.settings import HostPort, HttpSettings, MeterSettings, PrinterSettings, Settings
from pagereeve.simulator.college.fleet import Fleet, FleetPrinter
from pagereeve.simulator.printer.model import PrinterSpec
from pagereeve.simulator.snmp.mib import Oid, Row
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.telemetry.logs import set_up_logs

LIFE_MAX_MS: Final = 3.0
CLOSED_WITHIN_S: Final = 120.0
GROUP_ROWS: Final = 64
MAKER: Final[Oid] = (1, 3, 6, 1, 4, 1, 32473, 20)
"""Below the number that is reserved for examples (RFC 5612)."""
WITNESSES: Final = ("mono", "prints", "sheets", "duplex", "picked")
PROFILE_HEAD: Final = f'name = "bench"\nmaker = "Bench"\nobject_ids = ["{".".join(map(str, MAKER))}"]\n'
CHANNEL: Final = '\n[[channels]]\nname = "{name}"\nunit = "impressions"\nobjects = ["{oid}"]\n'


def object_of(nth: int) -> Oid:
    return (*MAKER, 1, nth, 0)


def profile() -> str:
    objects = {name: ".".join(map(str, object_of(nth))) for nth, name in enumerate(WITNESSES)}
    text = "".join(CHANNEL.format(name=name, oid=oid) for name, oid in objects.items())
    return f'{PROFILE_HEAD}sources = ["this benchmark"]\nevidence = "invented"\n{text}'


class WitnessedPrinter(FleetPrinter):
    """Its maker's five counters go with the standard's."""

    def mark(self, impressions: int) -> None:
        super().mark(impressions)
        for row in witnesses(self.count):
            self.put(row)


def witnesses(count: int) -> list[Row]:
    return [Row(object_of(nth), "counter", count) for nth, _ in enumerate(WITNESSES)]


def fleet_of(size: int) -> Fleet:
    fleet, clock = Fleet(0, SystemClock()), SystemClock()
    for nth in range(1, size + 1):
        spec = PrinterSpec(f"fleet-{nth:04d}", serial=f"FL-{nth:06d}", start_count=1_000, object_id=(*MAKER, 9))
        fleet.printers[spec.name] = WitnessedPrinter(spec, clock, "public", witnesses(spec.start_count))
    return fleet


async def beside(pipe: Connection, args: Namespace) -> None:
    """The printers and the release server. Each order is how many releases to make; the answer, how many were taken."""
    fleet = fleet_of(args.printers)
    await fleet.start()
    pipe.send(fleet.addresses())
    poster = Poster(*await asyncio.to_thread(pipe.recv))
    await poster.start()
    first = 0
    while many := await asyncio.to_thread(pipe.recv):
        releases = []
        began = time.monotonic()
        for nth in range(many):
            await asyncio.sleep(max(0.0, began + nth / args.rate - time.monotonic()))
            releases.append(asyncio.create_task(one_release(poster, fleet, first + nth, gated=False)))
        first += many
        pipe.send([status for *_, status in await asyncio.gather(*releases)].count(200))
    await fleet.stop()


def run_beside(pipe: Connection, args: Namespace) -> None:
    raise_file_limit()
    asyncio.run(beside(pipe, args))


@dataclass(frozen=True)
class Spent:
    """Of one round: milliseconds of processor time, reads and rows, each a release."""

    ms: float
    reads: float
    rows: float


def closed_rows(folder: Path) -> int:
    with closing(sqlite3.connect(f"file:{folder / JOURNAL_NAME}?mode=ro", uri=True)) as journal:
        question = "SELECT count(*) FROM charge WHERE channel = 'total' AND closed_us IS NOT NULL"
        return int(journal.execute(question).fetchone()[0])


async def until_closed(folder: Path, wanted: int) -> None:
    ends_s = time.monotonic() + CLOSED_WITHIN_S
    while await asyncio.to_thread(closed_rows, folder) < wanted:
        if time.monotonic() > ends_s:
            raise SystemExit(f"{wanted - closed_rows(folder)} releases have no closed row")
        await asyncio.sleep(0.5)


async def one_round(app: App, pipe: Connection, folder: Path, args: Namespace, before: int) -> Spent:
    """Both the life and the rest are processor seconds a second of this process, the rest being measured first."""
    began_s, cpu_s = time.monotonic(), time.process_time()
    await asyncio.sleep(args.rest_s)
    rest = (time.process_time() - cpu_s) / (time.monotonic() - began_s)
    reads, rows = sum(app.meter.snmp.stats.reads.values()), app.store.health().rows
    began_s, cpu_s = time.monotonic(), time.process_time()
    many = int(args.rate * args.seconds)
    pipe.send(many)
    taken = await asyncio.to_thread(pipe.recv)
    if taken != many:
        raise SystemExit(f"{many - taken} notices were not accepted")
    await until_closed(folder, before + many)
    spent_s = time.process_time() - cpu_s - rest * (time.monotonic() - began_s)
    reads, rows = sum(app.meter.snmp.stats.reads.values()) - reads, app.store.health().rows - rows
    return Spent(spent_s * 1e3 / many, reads / many, rows / many)


async def lives(args: Namespace, folder: Path) -> list[Spent]:
    mine, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=run_beside, args=(theirs, args))
    process.start()
    theirs.close()
    addresses = await asyncio.to_thread(mine.recv)
    profiles = folder / "profiles"
    profiles.mkdir()
    (profiles / "bench.toml").write_text(profile(), encoding="utf-8")
    settings = Settings(
        data_dir=folder,
        http=HttpSettings(listen=HostPort("127.0.0.1", 0), requests_per_s=100_000, requests_burst=1_000_000),
        meters=MeterSettings(profiles=profiles),
        printers=tuple(PrinterSettings(name=name, host=host, port=port) for name, (host, port) in addresses.items()),
    )
    try:
        async with App(settings, first_reads_spread_s=5.0) as app:
            await all_read_once(app)
            check_witnesses(app)
            tune_interpreter()
            mine.send(app.http_address)
            many = int(args.rate * args.seconds)
            rounds = []
            for nth in range(args.rounds):
                rounds.append(await one_round(app, mine, folder, args, nth * many))
                print(f"round {nth + 1}: {rounds[-1]}", flush=True)
            mine.send(0)
    finally:
        process.terminate()
        process.join()
    return rounds


def check_witnesses(app: App) -> None:
    """A printer that shows none would make the release cheap."""
    for name, watcher in app.registry.watchers.items():
        seen = watcher.last_good
        if seen is None or len(seen.sight.counts) != 1 + len(WITNESSES):
            raise SystemExit(f"{name} does not show a billed counter and {len(WITNESSES)} witnesses: {seen}")


async def rates(rounds: int) -> dict[str, float]:
    """Reads for each processor second: ours, pysnmp's and the C API's, of eight objects."""
    options = Namespace(rounds=rounds, seconds=1.0, in_flight=50)
    hosts = [f"127.0.1.{number + 1}" for number in range(options.in_flight)]
    here, there = multiprocessing.Pipe()
    agents = multiprocessing.get_context("spawn").Process(target=meter_read.serve, args=(hosts, there), daemon=True)
    agents.start()
    try:
        found = await meter_read.compare(hosts, here.recv(), options)
    finally:
        agents.terminate()
        agents.join()
    return {name: statistics.median(one[name] for one in found) for name in found[0]}


def row_ms(folder: Path, many: int = 64_000) -> float:
    """Processor time of one row of a fact's size that sqlite3 stores, in groups, durably."""
    with closing(sqlite3.connect(folder / "rows.db", isolation_level=None)) as database:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = FULL")
        database.execute(
            "CREATE TABLE one (printer TEXT, seq INTEGER, at_us INTEGER, body TEXT, PRIMARY KEY (printer, seq))"
        )
        rows = [(f"printer-{nth % 500}", nth, nth, "x" * 300) for nth in range(many)]
        began_s = time.process_time()
        for first in range(0, many, GROUP_ROWS):
            database.execute("BEGIN IMMEDIATE")
            database.executemany("INSERT INTO one VALUES (?, ?, ?, ?)", rows[first : first + GROUP_ROWS])
            database.execute("COMMIT")
        return (time.process_time() - began_s) * 1e3 / many


def figures_of(rounds: Sequence[Spent], reads_per_s: dict[str, float], one_row_ms: float) -> list[Figure]:
    life, reads, rows = (statistics.median(getattr(one, name) for one in rounds) for name in ("ms", "reads", "rows"))
    print(f"a release: {life:.2f} ms of processor time, {reads:.1f} reads, {rows:.1f} rows")
    figures = [Figure("whole life of a release", life, unit="ms", at_most=LIFE_MAX_MS)]
    ours_ms = reads * 1e3 / reads_per_s[meter_read.OURS]
    theirs_ms = reads * 1e3 / reads_per_s["pysnmp"]
    figures.append(Figure("with pysnmp's reads", (life - ours_ms + theirs_ms) / life, "with ours"))
    if "C API" in reads_per_s:
        parts = reads * 1e3 / reads_per_s["C API"] + rows * one_row_ms
        figures.append(Figure("whole life of a release", life / parts, f"its reads and rows in C, {parts:.2f} ms"))
    return figures


def measure(args: Namespace, folder: Path) -> list[Figure]:
    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        rounds = runner.run(lives(args, folder))
    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        reads_per_s = runner.run(rates(args.rounds))
    return figures_of(rounds, reads_per_s, row_ms(folder))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=2000)
    parser.add_argument("--rate", type=float, default=100.0)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--rest-s", type=float, default=10.0, help="How long the daemon is measured with no release.")
    args = parser.parse_args()
    raise_file_limit()
    set_up_logs("auto", "error", sys.stderr)
    with tempfile.TemporaryDirectory() as folder:
        return report(measure(args, Path(folder)))


if __name__ == "__main__":
    raise SystemExit(main())
