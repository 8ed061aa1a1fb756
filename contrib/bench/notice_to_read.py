"""How soon does the first meter request leave after a release notice, and is every notice durable?

Two processes on loopback: the daemon (2,000 printers, real HTTP, real SQLite, real UDP), and beside it the printers'
agents with a release server's notices. Both read one monotonic clock, so that a notice's send time in one and the
request's in the other can be compared. Targets: p99 at most 10 ms up to 200 notices a second, 30 ms beyond.

    python contrib/bench/notice_to_read.py [--printers 2000] [--rate 200] [--seconds 60] [--gated]
    python contrib/bench/notice_to_read.py --rate 500                        # beyond what a site does
    python contrib/bench/notice_to_read.py --peak                            # 50, 100, 200 and 400/s, a quarter each
    python contrib/bench/notice_to_read.py --printers 5000 --scrape-s 5      # beside scrapes of so many printers

A sender that is told to come again (503 with Retry-After) does so, as a release server would; how often is said.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import multiprocessing
import resource
import sqlite3
import statistics
import sys
import tempfile
import time
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Mapping
from multiprocessing.connection import Connection
from pathlib import Path

from figures import Figure, report

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.running import loop_factory, tune_interpreter
from pagereeve.domain.values.instants import to_text
from pagereeve.meters.snmp.stats import MeterHooks
from pagereeve.settings import HostPort, HttpSettings, PrinterSettings, Settings
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.telemetry.logs import set_up_logs

CONNECTIONS = 64
AGAIN_MAX = 100
PEAK = (50.0, 100.0, 200.0, 400.0)
PAGES = 5
SOURCE = "/bench/release-server"
START_MAX_S = 120.0
CALM_RATE, CALM_MAX_MS, BUSY_MAX_MS = 200.0, 10.0, 30.0
CLOSE_MAX_S = 120.0


Streams = tuple[asyncio.StreamReader, asyncio.StreamWriter]


class Poster:
    """A few keep-alive connections to the daemon's endpoint."""

    def __init__(self, host: str, port: int) -> None:
        self._address = (host, port)
        self.told_again = 0
        self._free: asyncio.Queue[Streams] = asyncio.Queue(maxsize=CONNECTIONS)

    async def start(self) -> None:
        for _ in range(CONNECTIONS):
            self._free.put_nowait(await asyncio.open_connection(*self._address))

    async def post(self, event: dict[str, object], *, gated: bool) -> int:
        """The status, once it is another than 503 or too often that."""
        for _ in range(AGAIN_MAX):
            status, again_s = await self._post_once(event, gated=gated)
            if status != 503:
                break
            self.told_again += 1
            await asyncio.sleep(again_s)
        return status

    async def scrape(self) -> None:
        """The metrics page, as Prometheus asks for it."""
        reader, writer = await asyncio.open_connection(*self._address)
        head = "GET /metrics HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip\r\nConnection: close\r\n\r\n"
        writer.write(head.encode())
        while await reader.read(2**16):
            pass
        writer.close()

    async def _open(self) -> Streams:
        """One that is free. The daemon closes those in which nothing was said for a while."""
        reader, writer = await self._free.get()
        if reader.at_eof() or writer.is_closing():
            writer.close()
            reader, writer = await asyncio.open_connection(*self._address)
        return reader, writer

    async def _post_once(self, event: dict[str, object], *, gated: bool) -> tuple[int, int]:
        body = json.dumps(event).encode()
        wait = "Prefer: wait=5\r\n" if gated else ""
        head = (
            f"POST /v1/events HTTP/1.1\r\nHost: localhost\r\n{wait}Content-Type: application/cloudevents+json\r\n"
            f"Content-Length: {len(body)}\r\n\r\n"
        )
        reader, writer = await self._open()
        try:
            writer.write(head.encode() + body)
            status = int((await reader.readline()).split()[1])
            length = again_s = 0
            while (line := await reader.readline()) != b"\r\n":
                if line.lower().startswith(b"content-length:"):
                    length = int(line.split(b":")[1])
                elif line.lower().startswith(b"retry-after:"):
                    again_s = int(line.split(b":")[1])
            await reader.readexactly(length)
        finally:
            self._free.put_nowait((reader, writer))
        return status, again_s


def event(kind: str, name: str, data: Mapping[str, object]) -> dict[str, object]:
    now = to_text(SystemClock().now_us())
    return {"specversion": "1.0", "id": name, "source": SOURCE, "type": kind, "time": now, "data": data}


async def one_release(poster: Poster, fleet: Fleet, nth: int, *, gated: bool) -> tuple[str, int, int, int]:
    """Notice, pages, end notice; (printer, sent, answered, status of the notice)."""
    names = list(fleet.printers)
    printer = names[nth * 7919 % len(names)]
    ticket = {"pages": PAGES, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
    data = {"release": f"r{nth}", "job": f"j{nth}", "owner": f"user-{nth % 50}", "printer": printer, "ticket": ticket}
    sent_us = time.monotonic_ns() // 1000
    status = await poster.post(event("pagereeve.release.started.v1", f"r{nth}.started", data), gated=gated)
    answered_us = time.monotonic_ns() // 1000
    await asyncio.sleep(1.5)
    fleet.printers[printer].mark(PAGES)
    ended = {"release": f"r{nth}", "outcome": "completed"}
    await poster.post(event("pagereeve.release.ended.v1", f"r{nth}.ended", ended), gated=False)
    return printer, sent_us, answered_us, status


async def beside(pipe: Connection, args: argparse.Namespace) -> None:
    fleet = Fleet(args.printers, SystemClock())
    await fleet.start()
    pipe.send(fleet.addresses())
    poster = Poster(*await asyncio.to_thread(pipe.recv))
    await poster.start()
    releases: list[asyncio.Task[tuple[str, int, int, int]]] = []
    scraping = asyncio.create_task(scraped(poster, args.scrape_s)) if args.scrape_s else None
    began = time.monotonic()
    for nth, at_s in enumerate(instants(args)):
        await asyncio.sleep(max(0.0, began + at_s - time.monotonic()))
        releases.append(asyncio.create_task(one_release(poster, fleet, nth, gated=args.gated)))
    pipe.send([await release for release in releases])
    if poster.told_again:
        print(f"told to come again: {poster.told_again} times")
    if scraping is not None:
        scraping.cancel()
        await asyncio.gather(scraping, return_exceptions=True)
    await asyncio.to_thread(pipe.recv)
    await fleet.stop()


async def scraped(poster: Poster, every_s: float) -> None:
    while True:
        await poster.scrape()
        await asyncio.sleep(every_s)


def instants(args: argparse.Namespace) -> Iterator[float]:
    """When each release starts, in seconds from the first."""
    rates = PEAK if args.peak else (args.rate,)
    share_s = args.seconds / len(rates)
    for number, rate in enumerate(rates):
        yield from (number * share_s + nth / rate for nth in range(int(rate * share_s)))


def run_beside(pipe: Connection, args: argparse.Namespace) -> None:
    raise_file_limit()
    asyncio.run(beside(pipe, args))


def raise_file_limit() -> None:
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))


async def daemon(args: argparse.Namespace, folder: Path) -> list[Figure]:
    mine, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=run_beside, args=(theirs, args))
    process.start()
    theirs.close()
    addresses = await asyncio.to_thread(mine.recv)
    sent: dict[str, list[int]] = defaultdict(list)
    hooks = MeterHooks(on_sent=lambda printer, at_us: sent[printer].append(at_us))
    settings = Settings(
        data_dir=folder,
        # One sender has all the load here.
        http=HttpSettings(listen=HostPort("127.0.0.1", 0), requests_per_s=100_000, requests_burst=1_000_000),
        printers=tuple(PrinterSettings(name=name, host=host, port=port) for name, (host, port) in addresses.items()),
    )
    async with App(settings, meter_hooks=hooks, first_reads_spread_s=10.0) as app:
        start_cpu_s = await all_read_once(app)
        tune_interpreter()
        cpu_s, wall_s = time.process_time(), time.monotonic()
        mine.send(app.http_address)
        releases = await asyncio.to_thread(mine.recv)
        await all_closed(app)
        cpu_s, wall_s = time.process_time() - cpu_s, time.monotonic() - wall_s
        counters, health = app.counters, app.store.health()
        mine.send("done")
    await asyncio.to_thread(process.join)
    print(f"start: {args.printers} printers found and read once with {start_cpu_s:.1f} s of CPU")
    figures = [show(args, releases, sent, folder)]
    reads = sum(app.meter.snmp.stats.reads.values())
    print(
        f"daemon: {cpu_s:.1f} s of CPU in {wall_s:.1f} s; {reads} reads, {health.commits} commits, {health.rows} rows"
    )
    figures.append(
        Figure("the daemon's CPU a release, polls of the fleet included", 1000 * cpu_s / len(releases), unit="ms")
    )
    print(
        f"projections {counters.projections}, rewinds {counters.rewinds}, "
        f"watcher restarts {sum(counters.restarts.values())}"
    )
    return figures


async def all_read_once(app: App) -> float:
    """Discovery of every printer is over before the load begins; the CPU it took, in seconds."""
    began_s, cpu_s = time.monotonic(), time.process_time()
    while (
        any(watcher.last is None for watcher in app.registry.watchers.values())
        and time.monotonic() < began_s + START_MAX_S
    ):
        await app.clock.sleep(0.2)
    return time.process_time() - cpu_s


async def all_closed(app: App) -> None:
    """Until each release's window is closed: its whole life is over."""
    began_s = time.monotonic()
    while any(watcher.open_windows() for watcher in app.registry.watchers.values()):
        if time.monotonic() > began_s + CLOSE_MAX_S:
            print("windows are still open")
            return
        await app.clock.sleep(0.5)


def show(
    args: argparse.Namespace, releases: list[tuple[str, int, int, int]], sent: dict[str, list[int]], folder: Path
) -> Figure:
    waits = []
    for printer, sent_us, _, _ in releases:
        times = sent[printer]
        index = bisect_left(times, sent_us)
        if index < len(times):
            waits.append((times[index] - sent_us) / 1000)
    answers = [(answered - sent_at) / 1000 for _, sent_at, answered, _ in releases]
    acknowledged = sum(1 for *_, status in releases if status == 200)
    with sqlite3.connect(folder / JOURNAL_NAME) as journal:
        count = "SELECT count(*) FROM fact WHERE source = ? AND kind = 's'"
        durable = journal.execute(count, (SOURCE,)).fetchone()[0]
    rate = "/".join(f"{one:g}" for one in PEAK) if args.peak else f"{args.rate:g}"
    print(f"{args.printers} printers, {rate} notices/s for {args.seconds:g} s, gated: {args.gated}")
    print(f"notices {len(releases)}, acknowledged {acknowledged}, in the journal afterwards {durable}")
    print(f"notice -> first meter request, ms: {percentiles(waits)} ({len(releases) - len(waits)} never left)")
    print(f"notice -> answer, ms: {percentiles(answers)}")
    what = f"p99 of notice to first datagram at {rate}/s, {'' if args.gated else 'not '}gated"
    what += f", beside scrapes of {args.printers} printers" if args.scrape_s else ""
    calm = args.rate <= CALM_RATE and not args.peak and not args.scrape_s
    at_most = CALM_MAX_MS if calm else BUSY_MAX_MS
    return Figure(what, statistics.quantiles(waits, n=100)[98], unit="ms", at_most=at_most)


def percentiles(values: list[float]) -> str:
    cuts = statistics.quantiles(values, n=100)
    return f"p50 {cuts[49]:.1f}, p90 {cuts[89]:.1f}, p99 {cuts[98]:.1f}, max {max(values):.1f}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=2000)
    parser.add_argument("--rate", type=float, default=200.0)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--gated", action="store_true")
    parser.add_argument("--peak", action="store_true", help="50, 100, 200, 400 notices/s, a quarter each.")
    parser.add_argument("--scrape-s", type=float, default=0.0, help="Ask for the metrics page this often.")
    args = parser.parse_args()
    raise_file_limit()
    set_up_logs("auto", "error", sys.stderr)
    with tempfile.TemporaryDirectory() as folder, asyncio.Runner(loop_factory=loop_factory()) as runner:
        return report(runner.run(daemon(args, Path(folder))))


if __name__ == "__main__":
    raise SystemExit(main())
