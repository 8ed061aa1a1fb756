"""What does a scrape of thousands of printers cost, against prometheus-client's generate_latest for the same series?

    python contrib/bench/metrics_scrape.py [--printers 5000] [--rounds 5] [--changed 5]

Targets: at least 10 times as fast as generate_latest, loop stall at most 10 ms. Both sides write the
same samples in one run, by turns; ratios are of medians. Four scrapes of ours: the first, which writes everything; one
with some printers changed (a new reading, pages, a
finding) and those of the turn before gone back; one where every printer
has a new reading; one without a change. The stall is how late a timer of 1 ms fires while the pages' own handler
answers in its thread, gzip included; what looking at the printers costs the loop is part of it.
"""

from __future__ import annotations

import argparse
import asyncio
import gzip
import statistics
import sys
import time
from collections.abc import Awaitable, Callable, Iterable, Sequence
from pathlib import Path

from figures import Figure, report
from prometheus_client import CollectorRegistry, Gauge, generate_latest
from starlette.requests import Request

sys.path.insert(0, str(Path(__file__).parents[2]))

from pagereeve.app.running import SWITCH_INTERVAL_S
from pagereeve.domain.ledger import PROJECTED_KINDS
from pagereeve.ports.telemetry import PrinterTelemetry
from pagereeve.telemetry.metrics import MetricsPage
from pagereeve.telemetry.pages import Metrics
from pagereeve.telemetry.printer_metrics import FINDING_KINDS, PrinterPages
from tests.telemetry_stub import StubTelemetry

LEVELS = (1, 6, 9)
SPEED_MIN = 10.0
STALL_MAX_MS = 10.0
NOON_US = 1_764_000_000_000_000
REQUEST = {"type": "http", "method": "GET", "path": "/metrics", "headers": [(b"accept-encoding", b"gzip")]}


def printer(nth: int, turn: int, *, moved: bool) -> PrinterTelemetry:
    pages = {("total", kind): 1000 + nth + (turn if moved else 0) for kind in PROJECTED_KINDS}
    return PrinterTelemetry(
        printer=f"building-{nth % 40:02d}-printer-{nth:04d}",
        meter={"total": 10_000 + nth + (turn if moved else 0), "colour": nth},
        last_reading_us=NOON_US + turn,
        up=True,
        settle_us=10_000_000,
        open_findings={"surplus": turn % 3} if moved else {},
        pages=pages,
    )


def fleet(size: int, turn: int, changed: int, *, read: bool = False) -> list[PrinterTelemetry]:
    """Of each hundred, ``changed`` moved since the last turn; ``read``: all others have a new reading at least."""
    known = []
    for nth in range(size):
        moved = (nth + turn) % 100 < changed
        known.append(printer(nth, turn if moved or read else 0, moved=moved))
    return known


class Client:
    """prometheus-client with the same series: children made once, set before each scrape."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        one = ["printer"]
        self.meter = self._gauge("pagereeve_meter_reading", [*one, "channel"])
        self.last = self._gauge("pagereeve_last_reading_timestamp_seconds", one)
        self.up = self._gauge("pagereeve_meter_up", one)
        self.windows = self._gauge("pagereeve_open_windows", one)
        self.settle = self._gauge("pagereeve_settle_seconds", one)
        self.failed = self._gauge("pagereeve_failed_reads", one)
        self.late = self._gauge("pagereeve_meter_late", one)
        self.gateway = self._gauge("pagereeve_printer_gateway", [*one, "gateway"])
        self.releases = self._gauge("pagereeve_releases_waiting", one)
        self.waiting = self._gauge("pagereeve_pages_waiting", [*one, "channel"])
        self.findings = self._gauge("pagereeve_open_findings", [*one, "kind"])
        self.pages = self._gauge("pagereeve_pages", [*one, "channel", "account"])

    def _gauge(self, name: str, labels: Sequence[str]) -> Gauge:
        return Gauge(name, "As ours.", labels, registry=self.registry)

    def put(self, known: Iterable[PrinterTelemetry]) -> None:
        for one in known:
            name = one.printer
            self.last.labels(name).set((one.last_reading_us or 0) / 1_000_000)
            self.up.labels(name).set(bool(one.up))
            self.windows.labels(name).set(one.open_windows)
            self.settle.labels(name).set((one.settle_us or 0) / 1_000_000)
            self.failed.labels(name).set(one.failed_reads)
            self.late.labels(name).set(one.late)
            self.gateway.labels(name, one.gateway).set(1)
            self.releases.labels(name).set(one.releases_waiting)
            for kind in FINDING_KINDS:
                self.findings.labels(name, kind).set(one.open_findings.get(kind, 0))
            for channel, value in one.meter.items():
                self.meter.labels(name, channel).set(value)
                self.waiting.labels(name, channel).set(one.pages_waiting.get(channel, 0))
                for account in PROJECTED_KINDS:
                    self.pages.labels(name, channel, account).set(one.pages.get((channel, account), 0))


def took_ms(work: Callable[[], object]) -> float:
    began_s = time.perf_counter()
    work()
    return (time.perf_counter() - began_s) * 1000


def lines(text: bytes) -> int:
    return sum(1 for line in text.splitlines() if not line.startswith(b"#"))


async def late_ms(work: Callable[[], Awaitable[object]]) -> float:
    """How late a timer of 1 ms fires at the worst while ``work`` goes on."""
    worst_s, over = 0.0, False

    async def watch() -> None:
        nonlocal worst_s
        while not over:
            began_s = time.perf_counter()
            await asyncio.sleep(0.001)
            worst_s = max(worst_s, time.perf_counter() - began_s - 0.001)

    watching = asyncio.create_task(watch())
    await asyncio.sleep(0.02)
    await work()
    over = True
    await watching
    return worst_s * 1000


def compare(args: argparse.Namespace) -> tuple[dict[str, list[float]], bytes]:
    """Milliseconds by what was written, the sides by turns."""
    kept, client = PrinterPages(), Client()
    first = fleet(args.printers, 0, 0)
    client.put(first)
    ours, theirs = lines(kept.render(first)), lines(generate_latest(client.registry))
    if ours != theirs:
        raise SystemExit(f"the sides write other series: {ours} and {theirs}")
    took: dict[str, list[float]] = {name: [] for name in ("client", "first", "changed", "read", "same")}
    text = b""
    for turn in range(1, args.rounds + 1):
        moved = fleet(args.printers, turn, args.changed)
        client.put(moved)
        took["client"].append(took_ms(lambda: generate_latest(client.registry)))
        took["first"].append(took_ms(lambda moved=moved: PrinterPages().render(moved)))  # type: ignore[misc]
        kept.render(fleet(args.printers, turn - 1, args.changed))
        took["changed"].append(took_ms(lambda moved=moved: kept.render(moved)))  # type: ignore[misc]
        took["same"].append(took_ms(lambda moved=moved: kept.render(moved)))  # type: ignore[misc]
        again = fleet(args.printers, turn, args.changed, read=True)
        took["read"].append(took_ms(lambda again=again: kept.render(again)))  # type: ignore[misc]
        text = kept.render(again)
    print(f"{args.printers} printers, {ours} series, {len(text) / 2**20:.1f} MiB; medians of {args.rounds} rounds")
    return took, text


async def stalls(args: argparse.Namespace) -> list[Figure]:
    telemetry = StubTelemetry()
    page = Metrics(MetricsPage(telemetry))
    worst: dict[str, list[float]] = {"first": [], "changed": []}
    for turn in range(args.rounds):
        telemetry.known = fleet(args.printers, turn, args.changed)
        worst["changed" if turn else "first"].append(await late_ms(lambda: page.answer(Request(REQUEST))))
    first, changed = worst["first"][0], max(worst["changed"], default=0.0)
    return [
        Figure("loop stall in the first scrape, with gzip", first, unit="ms", at_most=STALL_MAX_MS),
        Figure("loop stall in later scrapes", changed, unit="ms", at_most=STALL_MAX_MS),
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=5000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--changed", type=int, default=5, help="of each hundred printers")
    args = parser.parse_args()
    took, text = compare(args)
    yardstick = statistics.median(took["client"])
    print(f"prometheus-client: {yardstick:.0f} ms")
    figures = []
    for name, told in (
        ("first", "everything written"),
        ("read", "every printer read anew"),
        ("changed", f"{args.changed} of 100 changed"),
        ("same", "nothing changed"),
    ):
        times = yardstick / statistics.median(took[name])
        figures.append(Figure(f"speed of a scrape, {told}", times, "prometheus-client's", at_least=SPEED_MIN))
    for level in LEVELS:
        small: list[bytes] = []
        spent = took_ms(lambda level=level, small=small: small.append(gzip.compress(text, level, mtime=0)))  # type: ignore[misc]
        print(f"gzip level {level}: {spent:.0f} ms, {len(small[0]) / 2**20:.2f} MiB")
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    return report([*figures, *asyncio.run(stalls(args))])


if __name__ == "__main__":
    raise SystemExit(main())
