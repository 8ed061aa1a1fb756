"""What Prometheus scrapes: the process's own series, then the printers' (exposition format 0.0.4).

Every known label set is there from the start, at 0 (prometheus/prometheus#1673).
"""

from __future__ import annotations

import asyncio
import zlib
from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from typing import Final

from prometheus_client import CollectorRegistry, ProcessCollector, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.registry import Collector

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.intake import OUTCOMES
from pagereeve.ports.journal import HINDRANCES
from pagereeve.ports.queries import JournalHealth
from pagereeve.ports.spool import SpoolFigures
from pagereeve.ports.telemetry import FeedTelemetry, MetricsSource, PrinterTelemetry, ProcessTelemetry
from pagereeve.telemetry.alert_metrics import alert_families
from pagereeve.telemetry.forwarding_metrics import forwarding_families, site_families
from pagereeve.telemetry.gateway_metrics import gateway_families
from pagereeve.telemetry.health_metrics import health_families
from pagereeve.telemetry.printer_metrics import PrinterPages
from pagereeve.telemetry.reload_metrics import reload_families

CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"
# Printers looked at in one turn of the event loop: a millisecond or so.
TAKEN_AT_ONCE: Final = 100
ZIP_LEVEL: Final = 1
# zlib writes the format of gzip (RFC 1952) where 16 is added to the size of its window.
GZIP_WBITS: Final = 16 + zlib.MAX_WBITS
READ_RESULTS: Final = ("reading", *(reason.value for reason in SilenceReason))

Taken = tuple[ProcessTelemetry, list[PrinterTelemetry]]


class MetricsPage:
    """``take`` on the event loop, then ``render`` of what it took anywhere, in a thread best; one at a time."""

    def __init__(self, source: MetricsSource) -> None:
        self._source = source
        self._operating_system = CollectorRegistry()
        ProcessCollector(registry=self._operating_system)
        self._printers = PrinterPages()

    def take(self) -> Taken:
        return self._source.process(), list(self._source.printers())

    async def take_in_turns(self) -> Taken:
        """As ``take``; others come to run in between, as thousands of printers would keep them waiting."""
        printers: list[PrinterTelemetry] = []
        rest = iter(self._source.printers())
        while batch := list(islice(rest, TAKEN_AT_ONCE)):
            printers += batch
            await asyncio.sleep(0)
        return self._source.process(), printers

    def render(self, taken: Taken, *, zipped: bool = False) -> tuple[bytes, ...]:
        """The page in parts, which may be a hundred megabytes together: whoever joins them holds everybody up.

        ``zipped`` by gzip at its quickest: level 9 takes five times as long and saves a quarter.
        """
        parts = self._parts(*taken)
        return tuple(_zipped(parts) if zipped else parts)

    def _parts(self, process: ProcessTelemetry, printers: list[PrinterTelemetry]) -> Iterator[bytes]:
        registry = CollectorRegistry()
        registry.register(_ProcessSeries(process))
        yield generate_latest(self._operating_system)
        yield generate_latest(registry)
        yield from self._printers.parts(printers)


def _zipped(parts: Iterable[bytes]) -> Iterator[bytes]:
    zipping = zlib.compressobj(ZIP_LEVEL, wbits=GZIP_WBITS)
    for part in parts:
        if small := zipping.compress(part):
            yield small
    yield zipping.flush()


class _ProcessSeries(Collector):
    def __init__(self, process: ProcessTelemetry) -> None:
        self._process = process

    def collect(self) -> Iterable[Metric]:
        process = self._process
        meter, engine, tasks = process.meter, process.engine, process.tasks
        what = {"version": process.version, "code": process.code}
        yield InfoMetricFamily("pagereeve_build", "The program that runs.", value=what)
        yield from health_families(process)
        yield from _feeds(process)
        text = "People who signed in or out, or could not, by kind of sign-in and outcome."
        people = CounterMetricFamily("pagereeve_sign_ins", text, labels=["by", "outcome"])
        for labels, count in process.sign_ins.items():
            people.add_metric(labels, count)
        yield people
        reads = {result: meter.reads.get(result, 0) for result in READ_RESULTS} | dict(meter.reads)
        yield _counter("pagereeve_reads", "Reads of meters, by result.", "result", reads)
        text = "Datagrams that were not accepted as an answer, by kind."
        yield _counter("pagereeve_refused_datagrams", text, "kind", meter.refused_datagrams)
        badges = "Badge numbers that their reader's form refused, by reason."
        yield _counter("pagereeve_refused_badges", badges, "reason", engine.refused_badges)
        text = "Members of accepted events that were left out, as they were bad or not known, by member."
        yield _counter("pagereeve_left_out_members", text, "member", engine.left_out)
        text = "Titles of jobs: kept or left out when their start notice came, erased when their time was over."
        yield _counter("pagereeve_titles", text, "fate", engine.titles)
        text = "What printers and the paths to them did that they should not, by kind."
        yield _counter("pagereeve_meter_oddities", text, "kind", meter.oddities)
        if meter.receive_drops is not None:
            text = (
                "Datagrams that the kernel dropped because its receive buffer was full. Absent where it does not say."
            )
            yield CounterMetricFamily("pagereeve_receive_drops", text, value=meter.receive_drops)
        yield from _journal(process.journal)
        yield from _spool(process.spool)
        yield _last_commit(process)
        yield CounterMetricFamily("pagereeve_projections", "Projections of open stretches.", value=engine.projections)
        text = "Projections restarted from an earlier resume point, because a fact came late."
        yield CounterMetricFamily("pagereeve_rewinds", text, value=engine.rewinds)
        text = "Findings about badges, readers and feeds that are open, by kind."
        site = GaugeMetricFamily("pagereeve_site_open_findings", text, labels=["kind"])
        for kind, count in process.site_findings.items():
            site.add_metric([kind], count)
        yield site
        text = "Times that the journal could not store and a task had to restart."
        yield CounterMetricFamily("pagereeve_journal_unavailable", text, value=engine.unavailable)
        yield from alert_families(process)
        yield from forwarding_families(process.forwarding)
        yield from site_families(process.sites)
        yield from reload_families(process.reload)
        yield from gateway_families(process.gateways)
        yield _counter("pagereeve_task_restarts", "Tasks restarted after an error.", "task", tasks.restarts)
        yield _counter("pagereeve_task_ends", "Tasks that ended without being stopped.", "task", tasks.ends)


def _feeds(process: ProcessTelemetry) -> Iterator[Metric]:
    events = CounterMetricFamily("pagereeve_events", "Events accepted, by feed, outcome.", labels=["feed", "outcome"])
    refused = CounterMetricFamily("pagereeve_refused", "Events refused, by feed and reason.", labels=["feed", "reason"])
    text = "Requests that showed no credential that is known, by feed and reason."
    strangers = CounterMetricFamily("pagereeve_authentication_failures", text, labels=["feed", "reason"])
    connections = GaugeMetricFamily("pagereeve_feed_connections", "Open connections of a feed.", labels=["feed"])
    text = "Connections not let in, or ended, by feed and reason."
    turned = CounterMetricFamily("pagereeve_refused_connections", text, labels=["feed", "reason"])
    text = "The largest share of what a feed holds at once (open connections, requests not answered yet), 0 to 1."
    load = GaugeMetricFamily("pagereeve_feed_load_ratio", text, labels=["feed"])
    lost = CounterMetricFamily("pagereeve_lost_lines", "Badge lines read but not accepted in time.", labels=["feed"])
    text = "Connections of a relay that failed, or whose release server could not be reached."
    broken = CounterMetricFamily("pagereeve_relay_broken", text, labels=["feed"])
    text = "1 while the relay hands its lines to the daemon, else 0; feeds without a relay have none."
    relay_up = GaugeMetricFamily("pagereeve_relay_up", text, labels=["feed"])
    for name, feed in sorted(process.feeds.items()):
        for outcome, count in (dict.fromkeys(OUTCOMES, 0) | dict(feed.events)).items():
            events.add_metric([name, outcome], count)
        for reason, count in feed.refused.items():
            refused.add_metric([name, reason], count)
        for reason, count in feed.attempts_failed.items():
            strangers.add_metric([name, reason], count)
        connections.add_metric([name], feed.connections_open)
        for reason, count in feed.connections_refused.items():
            turned.add_metric([name, reason], count)
        load.add_metric([name], _load(feed))
        lost.add_metric([name], feed.lost_lines)
        if feed.relay_up is not None:
            broken.add_metric([name], feed.relay_broken)
            relay_up.add_metric([name], int(feed.relay_up))
    yield from (events, refused, strangers, connections, turned, load, lost, broken, relay_up)


def _load(feed: FeedTelemetry) -> float:
    pairs = ((feed.connections_open, feed.connections_max), (feed.requests_open, feed.requests_max))
    return max((used / most for used, most in pairs if most), default=0.0)


def _journal(health: JournalHealth) -> Iterator[Metric]:
    up = int(health.alive and health.hindrance is None)
    yield GaugeMetricFamily("pagereeve_journal_up", "1 while the journal can store, else 0.", value=up)
    text = "1 for the reason for which the journal stores nothing now, else 0."
    hindered = GaugeMetricFamily("pagereeve_journal_hindered", text, labels=["reason"])
    for reason in HINDRANCES:
        hindered.add_metric([reason], int(reason == health.hindrance))
    yield hindered
    gauges = (
        ("queue_depth", "Facts that wait to be stored.", health.queue_depth),
        ("queue_depth_max", "How many may wait before senders get 503 (retry later).", health.queue_depth_max),
        ("waiting_seconds", "How long the oldest write has waited; 0 if none waits.", health.waiting_us / SECOND_US),
        ("wal_size_bytes", "Size of the write-ahead file.", health.wal_size_bytes),
        ("wal_limit_bytes", "Size of the write-ahead file that is cut back.", health.wal_limit_bytes),
        ("database_size_bytes", "Size of the database file.", health.database_size_bytes),
        ("fence", "Grows each time the journal is opened.", health.fence),
        ("damaged_rows", "Rows that were found damaged when they were read.", health.damaged_rows),
        ("sealed_facts", "Facts in the journal's seal; never less than it was.", health.sealed_facts),
    )
    for name, text, value in gauges:
        yield GaugeMetricFamily(f"pagereeve_journal_{name}", text, value=value)
    counters = (
        ("commits", "Groups of facts stored.", health.commits),
        ("rows", "Rows stored.", health.rows),
        ("duplicates", "Events that were stored before.", health.duplicates),
        ("conflicts", "Events that were stored before with other data.", health.conflicts),
        ("failures", "Groups that could not be stored.", health.failures),
        ("stale", "Rows not stored, as another projector had replaced them; projected anew.", health.stale),
    )
    for name, text, value in counters:
        yield CounterMetricFamily(f"pagereeve_journal_{name}", text, value=value)


def _spool(figures: SpoolFigures) -> Iterator[Metric]:
    gauges = (
        ("badges", "Badge events that wait in the spool while the journal's database is away.", figures.events),
        ("readings", "Runs of readings that wait in the spool while the journal's database is away.", figures.runs),
        ("size_bytes", "What waits in the spool.", figures.size_bytes),
        ("size_max_bytes", "So much may wait in the spool; 0 where there is none.", figures.size_max_bytes),
    )
    for name, text, value in gauges:
        yield GaugeMetricFamily(f"pagereeve_spool_{name}", text, value=value)
    counters = (
        ("replayed", "What waited in the spool and is in the journal now.", figures.replayed),
        ("refused", "What found no room in the spool, each once.", figures.refused),
        ("unusable", "What waited in the spool and can't be stored.", figures.unusable),
    )
    for name, text, value in counters:
        yield CounterMetricFamily(f"pagereeve_spool_{name}", text, value=value)


def _last_commit(process: ProcessTelemetry) -> Metric:
    """Before the first commit: the newest fact that the journal held, as a restart must not look like a silence."""
    committed_us = process.journal.last_commit_us
    last = GaugeMetricFamily(
        "pagereeve_journal_last_commit_timestamp_seconds",
        "When facts were last stored, seconds since 1970. Absent until some were.",
        labels=[],
    )
    at_us = process.engine.newest_us if committed_us is None else committed_us
    if at_us is not None:
        last.add_metric([], at_us / SECOND_US)
    return last


def _counter(name: str, text: str, label: str, counts: Mapping[str, int]) -> Metric:
    family = CounterMetricFamily(name, text, labels=[label])
    for value, count in counts.items():
        family.add_metric([value], count)
    return family
