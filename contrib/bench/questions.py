"""How long does each question of the API and each page take on a month of many printers, and what does a gated notice
notice of it?

    python contrib/bench/questions.py [--printers 5000] [--releases 1000000] [--journal FOLDER]

The month is made by contrib/drill/year_facts.py (a million releases take an hour; --journal keeps it, and goes by the
one that is there). Each question is asked of the API in this process, on the journal's reading half, and each page of
the console likewise, as on the month's last afternoon: wall time until the answer's first byte and until all of it is
there, median and p99 of its rounds each, the CPU time of one, and how often it took longer than a question may. The
first byte of a page that takes long is its frame's. Then a daemon runs on that journal with
its query process: a gated start notice (Prefer: wait=5) is sent ten times a second, by turns alone and beside a program
of its own that pages through everything. Exit status 1 if the p99 beside it is over 2 times that alone; below 20 ms a
figure is the machine's own unrest.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import signal
import statistics
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import httpx2
from fastapi import FastAPI

sys.path.insert(0, str(Path(__file__).parents[1] / "drill"))

import college_year
from figures import Figure, report
from year_facts import HOUR_US, YEAR, YEAR_LOAD, ZONE, Size, days_of, fleet, load_of

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.zone_database import zone_database
from pagereeve.console.api.asker import headers_of
from pagereeve.console.api.context import ApiContext
from pagereeve.console.api.site import AskedPrinter, AskedSite
from pagereeve.console.application import make_console
from pagereeve.domain.credentials.callers import Caller
from pagereeve.settings import HostPort, HttpSettings, PrinterSettings, Settings
from pagereeve.settings.site import SiteSettings
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.reads import SqlReads
from pagereeve.telemetry.logs import set_up_logs

RATIO_MAX: Final = 2.0
FLOOR_S: Final = 0.02
EVERY_S: Final = 0.1
QUESTION_MAX_S: Final = 20.0
TOO_SLOW: Final = b"The question took too long"
"""As a page says it whose frame was sent."""
MONTH: Final = f"{YEAR}-01"
PAGER: Final = Path(__file__).with_name("page_through.py")
QUESTIONS: Final = (
    "/v1/releases",
    "/v1/releases?limit=1000",
    "/v1/releases?printer={printer}",
    "/v1/releases?person={person}",
    f"/v1/releases?verdict=unproven&period={MONTH}",
    "/v1/releases/{release}",
    "/v1/evidence/{release}",
    "/v1/findings",
    "/v1/findings?printer={printer}",
    f"/v1/findings/summary?period={MONTH}",
    f"/v1/totals?by=printer&period={MONTH}",
    f"/v1/totals?by=person&period={MONTH}",
    f"/v1/losses?by=printer&period={MONTH}",
    f"/v1/statements/person/{{person}}?period={MONTH}",
    f"/v1/statements/printer/{{printer}}?period={MONTH}",
    "/v1/printers",
    "/v1/printers/{printer}",
    "/v1/decisions",
    "/v1/periods",
)
PAGES: Final = (
    "/now",
    "/now/figures",
    "/printers",
    "/printers?show=findings",
    "/printers/{printer}",
    "/releases",
    "/releases?printer={printer}",
    "/releases?person={person}",
    "/releases/{release}",
    "/findings",
    "/findings?printer={printer}",
    "/findings/{finding}",
    "/accounts",
    f"/accounts/{MONTH}",
    f"/accounts/{MONTH}?by=person",
    f"/accounts/{MONTH}?by=printer",
    f"/accounts/{MONTH}/sums",
    f"/accounts/{MONTH}/closing",
    f"/accounts/{MONTH}/losses",
    f"/accounts/{MONTH}/person/{{person}}",
    f"/accounts/{MONTH}/printer/{{printer}}",
    "/installation",
    "/words",
    "/sign-in",
)
AFTERNOON_US: Final = 9 * HOUR_US
"""So long before the month's end somebody looks at pages; who looks at its closing does so after it."""


def p99(values: list[float]) -> float:
    return sorted(values)[min(len(values) - 1, int(len(values) * 0.99))]


def size_of(printers: int, releases: int) -> Size:
    """So many releases in the first month."""
    first = Size(length=1).months()[0]
    share = sum(load_of(day) for day in days_of(first)) / YEAR_LOAD
    return Size(printers, round(releases / share), max(10, min(4_000, releases // 50)), length=1)


async def make(folder: Path, size: Size) -> int:
    await college_year.store_people(folder, size)
    return await college_year.store_month(folder, fleet(size), {}, size.months()[0])


@dataclass
class Asked:
    path: str
    first_s: list[float] = field(default_factory=list)
    took_s: list[float] = field(default_factory=list)
    size_bytes: int = 0
    too_slow: int = 0
    cpu_s: float = 0.0

    def __str__(self) -> str:
        spans = (statistics.median(self.first_s), p99(self.first_s), statistics.median(self.took_s), p99(self.took_s))
        figures = "".join(f"{span_s * 1e3:9.1f} " for span_s in spans) + f"{self.size_bytes / 1024:7.0f}"
        cpu_ms = self.cpu_s / len(self.took_s) * 1e3
        return f"{figures} {cpu_ms:8.1f} {len(self.took_s):6} {self.too_slow:8}  {self.path}"


@dataclass
class Answer:
    """What the application sends, and when its first byte left: a client in this process would see it later."""

    status: int = 0
    content: bytes = b""
    first_s: float = 0.0

    async def receive(self) -> Any:
        await asyncio.Event().wait()

    async def send(self, message: Any) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
        elif message.get("body"):
            self.first_s = self.first_s or time.perf_counter()
            self.content += message["body"]


async def ask(app: FastAPI, url: str, headers: list[tuple[bytes, bytes]]) -> Answer:
    at, _, query = url.partition("?")
    scope: dict[str, Any] = {
        "type": "http",
        "http_version": "1.1",
        "method": "GET",
        "scheme": "http",
        "asgi": {"spec_version": "2.3"},
    }
    scope |= {"path": at, "raw_path": at.encode(), "query_string": query.encode(), "headers": headers}
    answer = Answer()
    await app({**scope, "server": ("query", 80)}, answer.receive, answer.send)
    if answer.status not in {200, 404, 503}:
        raise SystemExit(f"{url}: {answer.content.decode()}")
    return answer


async def ask_timed(app: FastAPI, url: str, headers: list[tuple[bytes, bytes]], asked: Asked) -> None:
    began_s, cpu_s = time.perf_counter(), time.process_time()
    answer = await ask(app, url, headers)
    asked.took_s.append(time.perf_counter() - began_s)
    asked.first_s.append(answer.first_s - began_s)
    asked.cpu_s += time.process_time() - cpu_s
    asked.too_slow += answer.status == 503 or TOO_SLOW in answer.content
    asked.size_bytes = max(asked.size_bytes, len(answer.content))


async def ask_each(folder: Path, size: Size, rounds: int) -> AsyncIterator[Asked]:
    printers = tuple(AskedPrinter(name=name, host="127.0.0.1", port=161) for name in size.names)
    site = AskedSite(site=SiteSettings(zone=ZONE.key), printers=printers)
    headers = headers_of(Caller("bench", frozenset({"read", "names"})))
    chosen = random.Random(18)
    async with await SqlReads.open_for_reading(folder / JOURNAL_NAME) as reads:
        month = size.months()[0]
        now_us = [month.to_us - AFTERNOON_US]
        api = make_console(ApiContext(reads, site, lambda: now_us[0], zone_database=zone_database))
        found = json.loads((await ask(api, "/v1/findings?limit=1", headers)).content)["items"]
        finding = found[0]["id"] if found else "none"
        for path in (*QUESTIONS, *PAGES):
            now_us[0] = month.to_us + (HOUR_US if path.endswith("/closing") else -AFTERNOON_US)
            asked = Asked(path)
            ends_s = time.perf_counter() + QUESTION_MAX_S
            while len(asked.took_s) < rounds and (len(asked.took_s) < 2 or time.perf_counter() < ends_s):
                printer, person = chosen.choice(size.names), f"user-{chosen.randrange(size.persons):05}"
                url = path.format(printer=printer, person=person, release=f"{printer}-1", finding=finding)
                await ask_timed(api, url, headers, asked)
            yield asked


@dataclass
class Notices:
    """Seconds until each gated notice was answered with its reading, and how many pages were read meanwhile."""

    alone_s: list[float] = field(default_factory=list)
    beside_s: list[float] = field(default_factory=list)
    pages: int = 0

    def add(self, other: Notices) -> None:
        self.alone_s += other.alone_s
        self.beside_s += other.beside_s
        self.pages += other.pages

    @property
    def ratio(self) -> float:
        return p99(self.beside_s) / max(p99(self.alone_s), FLOOR_S)

    def __str__(self) -> str:
        alone, beside = p99(self.alone_s) * 1e3, p99(self.beside_s) * 1e3
        sent = len(self.alone_s) + len(self.beside_s)
        return (
            f"{sent} gated notices: p99 {alone:.1f} ms alone, {beside:.1f} ms beside {self.pages} pages; "
            f"{self.ratio:.2f} x (at most {RATIO_MAX:g})"
        )


@asynccontextmanager
async def daemon(folder: Path) -> AsyncIterator[tuple[str, str]]:
    """Where it answers, and the name of a printer whose meter is read."""
    agents = Fleet(1, SystemClock())
    await agents.start()
    try:
        [(name, (host, port))] = agents.addresses().items()
        settings = Settings(
            data_dir=folder,
            http=HttpSettings(listen=HostPort("127.0.0.1", 0), requests_per_s=100_000, requests_burst=1_000_000),
            printers=(PrinterSettings(name=name, host=host, port=port),),
        )
        async with App(settings, first_reads_spread_s=0.0) as app:
            while app.registry.watchers[name].last_good is None:  # noqa: ASYNC110 - the daemon tells nobody
                await asyncio.sleep(0.05)
            host, port = app.http_address
            yield f"http://{host}:{port}", name
    finally:
        await agents.stop()


@asynccontextmanager
async def paging(url: str) -> AsyncIterator[list[int]]:
    """A program that pages through everything, again and again; how many pages it has read."""
    process = await asyncio.create_subprocess_exec(sys.executable, str(PAGER), url, stdout=asyncio.subprocess.PIPE)
    assert process.stdout is not None
    pages = [0]

    async def count(lines: asyncio.StreamReader) -> None:
        while await lines.readline():
            pages[0] += 1

    counting = asyncio.create_task(count(process.stdout))
    try:
        while not pages[0]:
            await asyncio.sleep(0.05)
            if process.returncode is not None:
                raise SystemExit("the program that pages ended")
        yield pages
    finally:
        process.send_signal(signal.SIGKILL)
        await process.wait()
        await counting


async def send(url: str, printer: str, numbers: Iterator[int], seconds: float, waits_s: list[float]) -> None:
    ends_s = time.perf_counter() + seconds
    async with httpx2.AsyncClient(timeout=30) as client:
        while time.perf_counter() < ends_s:
            due_s, name = time.perf_counter(), f"calm-{next(numbers)}"
            data = {"release": name, "job": name, "owner": "anise", "printer": printer, "ticket": {"pages": 1}}
            members = {"specversion": "1.0", "id": name, "source": "/bench", "data": data}
            body = json.dumps(members | {"type": "pagereeve.release.started.v1"})
            headers = {"Content-Type": "application/cloudevents+json", "Prefer": "wait=5"}
            answer = await client.post(f"{url}/v1/events", content=body, headers=headers)
            waits_s.append(time.perf_counter() - due_s)
            if '"in-hand"' not in answer.text:
                raise SystemExit(f"a notice got no reading: {answer.text}")
            await asyncio.sleep(max(0.0, due_s + EVERY_S - time.perf_counter()))


async def notices_beside_pages(folder: Path, seconds: float, turns: int) -> AsyncIterator[Notices]:
    """Of each turn."""
    numbers = iter(range(10**9))
    async with daemon(folder) as (url, printer):
        async with paging(url):
            pass  # the query process runs from here on
        for _ in range(turns):
            seen = Notices()
            await send(url, printer, numbers, seconds, seen.alone_s)
            async with paging(url) as pages:
                await send(url, printer, numbers, seconds, seen.beside_s)
                seen.pages = pages[0]
            yield seen


async def measure(args: argparse.Namespace, folder: Path) -> list[Figure]:
    size = size_of(args.printers, args.releases)
    if not (folder / JOURNAL_NAME).exists():
        began_s = time.perf_counter()
        releases = await make(folder, size)
        print(f"{releases:,} releases of {args.printers:,} printers in {time.perf_counter() - began_s:.0f} s")
    print(f"{'first byte':>19} {'whole':>19}")
    print(f"{'median ms':>9} {'p99 ms':>9} " * 2 + f"{'KiB':>7} {'CPU ms':>8} {'rounds':>6} {'too slow':>8}")
    async for asked in ask_each(folder, size, args.rounds):
        print(asked, flush=True)
    seen = Notices()
    async for turn in notices_beside_pages(folder, args.seconds, args.turns):
        seen.add(turn)
    print(seen)
    return [Figure("p99 of gated notices beside a program that pages", seen.ratio, "alone", at_most=RATIO_MAX)]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=5_000)
    parser.add_argument("--releases", type=int, default=1_000_000, help="In the month.")
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--seconds", type=float, default=10.0, help="Of each turn, alone and beside.")
    parser.add_argument("--turns", type=int, default=3)
    parser.add_argument("--journal", type=Path, help="A folder for the journal, which is kept.")
    args = parser.parse_args()
    set_up_logs("human", "error", sys.stderr)
    with tempfile.TemporaryDirectory() as name:
        folder = args.journal or Path(name)
        folder.mkdir(mode=0o700, exist_ok=True)
        return report(asyncio.run(measure(args, folder)))


if __name__ == "__main__":
    sys.exit(main())
