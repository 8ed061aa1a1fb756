"""How fast do badge events come in, over HTTP and as raw lines, against the same endpoint with nothing stored?

    python contrib/bench/ingest.py [--rounds 5] [--events 4000]

The daemon runs in this process on the users' loop; a sender, a process of its own, keeps 64 connections with one
request in flight each. Three sides by turns: HTTP with every event durable before its answer; HTTP with an
intake that checks the event and stores nothing; lines, until the last is durable. Targets: the durable rate is at least
40 % of the other; lines are at least four times as many for each second of the daemon's processor time as HTTP's.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import statistics
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final

from figures import Figure, report
from notice_to_read import CONNECTIONS, Poster

from pagereeve.app.daemon import App
from pagereeve.app.running import loop_factory, tune_interpreter
from pagereeve.domain.facts.events import event_of
from pagereeve.domain.facts.facts import Origin
from pagereeve.feeds.http.endpoint import make_events
from pagereeve.feeds.http.server import HttpServer, make_server
from pagereeve.feeds.lines.feed import LineFeed, LineFeedConfig
from pagereeve.ports.intake import Accepted, BadgeLine, Envelope, Intake, RefusedInput
from pagereeve.settings import GatewaySettings, HostPort, HttpSettings, PrinterSettings, Settings
from pagereeve.telemetry.logs import set_up_logs

GATEWAY: Final = "gate-1"
WAIT_S: Final = 60.0


@dataclass(frozen=True)
class Order:
    """For the sender: so many events of numbers from ``first`` on, to that place."""

    lines: bool
    address: tuple[str, int]
    first: int
    many: int


async def send_events(poster: Poster, order: Order) -> None:
    numbers = iter(range(order.first, order.first + order.many))

    async def work() -> None:
        for number in numbers:
            data = {"badge": f"{number:08x}", "gateway": GATEWAY}
            event: dict[str, object] = {"specversion": "1.0", "id": f"b-{number}", "source": "/bench"}
            event |= {"type": "pagereeve.badge.presented.v1", "data": data}
            status = await poster.post(event, gated=False)
            if status != 200:
                raise SystemExit(f"an event was answered {status}")

    await asyncio.gather(*(work() for _ in range(CONNECTIONS)))


async def send_lines(order: Order) -> None:
    async def work(first: int) -> None:
        numbers = range(order.first + first, order.first + order.many, CONNECTIONS)
        _, writer = await asyncio.open_connection(*order.address)
        for number in numbers:
            writer.write(f"{number:08x}\n".encode())
            await writer.drain()
        writer.close()
        await writer.wait_closed()

    await asyncio.gather(*(work(first) for first in range(CONNECTIONS)))


async def sender(pipe: Connection) -> None:
    poster: Poster | None = None
    while (order := await asyncio.to_thread(pipe.recv)) is not None:
        began_s = time.monotonic()
        if order.lines:
            await send_lines(order)
        else:
            if poster is None:
                poster = Poster(*order.address)
                await poster.start()
            await send_events(poster, order)
        pipe.send(time.monotonic() - began_s)


def run_sender(pipe: Connection) -> None:
    asyncio.run(sender(pipe))


class Switched:
    """The daemon's intake; or, while ``stores`` is off, one that checks an event's form and stores nothing."""

    def __init__(self, intake: Intake) -> None:
        self._intake = intake
        self.stores = True

    async def take(self, envelope: Envelope, *, feed: str, wait_s: float | None, rest: bool = False) -> Accepted:
        if self.stores:
            return await self._intake.take(envelope, feed=feed, wait_s=wait_s, rest=rest)
        event_of(envelope.type, Origin(envelope.source, envelope.id, at_us=0, received_us=0), envelope.data)
        return Accepted("stored")

    async def badge_line(self, line: BadgeLine) -> Accepted:
        return await self._intake.badge_line(line)

    async def refused(self, refused: RefusedInput) -> None:
        await self._intake.refused(refused)


@dataclass
class Side:
    """Events a second, and for each processor second of the daemon."""

    rate: float
    per_cpu_s: float


@dataclass
class Doors:
    """Where events come in."""

    intake: Switched
    server: HttpServer
    lines: LineFeed


class Bench:
    def __init__(self, doors: Doors, pipe: Connection, many: int) -> None:
        self._doors, self._pipe, self._many = doors, pipe, many
        self._first = 1

    async def http(self, *, stored: bool) -> Side:
        self._doors.intake.stores = stored
        return await self._sent(self._doors.server.address, lines=False)

    async def lines(self) -> Side:
        return await self._sent(self._doors.lines.address, lines=True)

    async def _sent(self, address: tuple[str, int], *, lines: bool) -> Side:
        events = self._doors.lines.stats.events
        before = events["stored"]
        began_s, cpu_s = time.monotonic(), time.process_time()
        self._pipe.send(Order(lines, address, self._first, self._many))
        self._first += self._many
        await asyncio.to_thread(self._pipe.recv)
        while lines and events["stored"] - before < self._many:
            await asyncio.sleep(0.001)
            if time.monotonic() - began_s > WAIT_S:
                raise SystemExit(f"not every line was stored: {self._doors.lines.stats}")
        took_s, cpu_s = time.monotonic() - began_s, time.process_time() - cpu_s
        return Side(self._many / took_s, self._many / cpu_s)


def _raise(where: str, error: BaseException) -> None:
    raise SystemExit(f"{where}: {error}")


@asynccontextmanager
async def daemon(folder: Path) -> AsyncIterator[Doors]:
    """The daemon, and beside its own doors those of this benchmark, which lead to its intake."""
    http = HttpSettings(listen=HostPort("127.0.0.1", 0), requests_per_s=100_000, requests_burst=1_000_000)
    settings = Settings(
        data_dir=folder,
        http=http,
        gateways=(GatewaySettings(name=GATEWAY),),
        # No printer is behind that gateway, so that a badge has no meter read.
        printers=(PrinterSettings(name="library", host="127.0.0.1", port=9),),
    )
    async with App(settings, first_reads_spread_s=3600.0) as app, AsyncExitStack() as stack:
        intake = Switched(app.intake)
        events = make_events(http, intake, app.clock, requests_max=CONNECTIONS, callers=app.callers)
        on_error = partial(_raise, "HTTP")
        server = make_server(events, events.stats, http, on_error, connections_max=4 * CONNECTIONS)
        await server.open("127.0.0.1", 0)
        serving = asyncio.create_task(server.serve())
        # One address sends all the lines here, and it is the gateway's.
        lines = LineFeedConfig("bench", GATEWAY, lines_per_s=1e6, lines_burst=1e7, lines_per_day=1e9)
        paceless = replace(lines, peer_max=CONNECTIONS, known_peers=frozenset({"127.0.0.1"}))
        feed = LineFeed(paceless, app.intake, clock=app.clock, on_error=_raise)
        await feed.start()
        stack.push_async_callback(feed.stop)
        yield Doors(intake, server, feed)
        server.should_exit = True
        await serving


async def measure(options: argparse.Namespace, folder: Path) -> list[Figure]:
    here, there = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=run_sender, args=(there,))
    process.start()
    try:
        async with daemon(folder) as doors:
            tune_interpreter()
            bench = Bench(doors, here, options.events)
            sides: dict[str, Callable[[], Awaitable[Side]]] = {
                "durable": lambda: bench.http(stored=True),
                "nothing stored": lambda: bench.http(stored=False),
                "lines": bench.lines,
            }
            rounds = [{name: await side() for name, side in sides.items()} for _ in range(options.rounds + 1)][1:]
            here.send(None)
    finally:
        process.terminate()
        process.join()
    return figures_of(rounds)


def figures_of(rounds: list[dict[str, Side]]) -> list[Figure]:
    """Medians of the rounds, the first having warmed up."""
    for name in rounds[0]:
        rate = statistics.median(one[name].rate for one in rounds)
        per_cpu_s = statistics.median(one[name].per_cpu_s for one in rounds)
        print(f"{name:16} {rate:9,.0f} events/s {1e6 / per_cpu_s:7,.0f} us of the daemon's processor an event")
    durable = statistics.median(one["durable"].rate / one["nothing stored"].rate for one in rounds)
    lines = statistics.median(one["lines"].per_cpu_s / one["durable"].per_cpu_s for one in rounds)
    return [
        Figure("events over HTTP, durable", durable, "the same with nothing stored", at_least=0.4),
        Figure("lines for each processor second", lines, "events over HTTP", at_least=4.0),
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--events", type=int, default=4_000, help="Of each side in each round.")
    options = parser.parse_args()
    set_up_logs("auto", "error", sys.stderr)
    with tempfile.TemporaryDirectory() as folder, asyncio.Runner(loop_factory=loop_factory()) as runner:
        return report(runner.run(measure(options, Path(folder))))


if __name__ == "__main__":
    raise SystemExit(main())
