"""What the running daemon shows of itself: ports.telemetry over the app's own parts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from importlib.metadata import version
from typing import Protocol, get_args

from pagereeve.app.alerting import Alerting
from pagereeve.app.disk import disk_of
from pagereeve.domain.badges.checks import KINDS
from pagereeve.domain.badges.form import Refused
from pagereeve.domain.facts.reading import Reading
from pagereeve.engine.alerts.delivery import OUTCOMES as OUTCOMES_OF_MESSAGES
from pagereeve.engine.badges.watcher import BadgeWatcher
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.engine.printers.watcher import PrinterWatcher
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.engine.supervision.watchdog import LAG_LONGEST_S, WRITE_LONGEST_S, Watchdog
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.lines.feed import LineFeed
from pagereeve.feeds.refusals import Reason
from pagereeve.feeds.stats import FeedStats
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.snmp.stats import DatagramRefusal
from pagereeve.ports.telemetry import FeedTelemetry, PrinterTelemetry, ProcessTelemetry, ReceiverTelemetry
from pagereeve.reports.disk_space import disk_trouble
from pagereeve.settings import LineFeedSettings, Settings
from pagereeve.store.sqlite.journal import SqlJournal

OUTCOMES = ("stored", "duplicate", "conflict", "quarantined")
TASKS = ("printers", "badges", "wal", "watchdog", "alerts", "deliveries")
# Kinds of tasks whose last success is shown. A kind that never ran is absent.
SUCCESSES = frozenset(TASKS) - {"watchdog"}
TROUBLES_MAX = 5


class DaemonParts(Protocol):
    """The parts of the running daemon that are shown."""

    settings: Settings
    counters: EngineCounters
    supervisor: Supervisor
    ready: bool
    line_feeds: list[LineFeed]
    store: SqlJournal
    meter: SnmpMeter
    registry: PrinterRegistry
    alerting: Alerting
    badge_watcher: BadgeWatcher
    watchdog: Watchdog
    events: EventsEndpoint


class Telemetry:
    """Implements ports.telemetry.MetricsSource and Readiness."""

    def __init__(self, app: DaemonParts) -> None:
        self._app = app
        self._version = version("pagereeve")

    def printers(self) -> Iterable[PrinterTelemetry]:
        if not self._app.settings.metrics.per_printer:
            return
        registered = self._app.registry.registered
        for name, watcher in list(self._app.registry.watchers.items()):
            if name in registered:
                yield _printer(watcher)

    def process(self) -> ProcessTelemetry:
        app = self._app
        feeds = {"http": _feed(app.events.stats)}
        feeds |= {line.name: _feed(feed.stats) for line, feed in _lines(app)}
        restarts = dict.fromkeys(TASKS, 0) | dict(app.supervisor.restarts)
        successes = app.supervisor.last_success_us()
        disk = disk_of(app.settings.data_dir)
        health = app.store.health()
        if health.last_commit_us is None:
            health = replace(health, last_commit_us=app.counters.newest_us)
        return ProcessTelemetry(
            version=self._version,
            feeds=feeds,
            reads=dict(app.meter.stats.reads),
            refused_datagrams={kind.value: app.meter.stats.refused[kind] for kind in DatagramRefusal},
            journal=health,
            projections=app.counters.projections,
            rewinds=app.counters.rewinds,
            unavailable=app.counters.unavailable,
            restarts=restarts,
            ends=dict.fromkeys(TASKS, 0) | dict(app.supervisor.ends),
            parts=self.parts(),
            loop_lag_s=app.watchdog.lag_s(),
            task_success_us={kind: at_us for kind, at_us in successes.items() if kind in SUCCESSES},
            last_event_us=dict(app.counters.last_event_us),
            disk_free_bytes=None if disk is None else disk.free_bytes,
            disk_size_bytes=None if disk is None else disk.size_bytes,
            oddities=app.meter.stats.oddities(),
            refused_badges={reason: app.counters.refused_badges[reason] for reason in get_args(Refused)},
            site_findings=_site_findings(app.badge_watcher),
            receivers={name: _receiver(app.alerting, name) for name in app.alerting.workers},
            open_alerts=app.alerting.dispatcher.open_alerts(),
            receive_drops=app.meter.endpoint.kernel_drops,
        )

    def parts(self) -> Mapping[str, str]:
        """Ready once everything is open; never dependent on printers (FreeRADIUS/freeradius-server#2698)."""
        app = self._app
        return {
            "start": "" if app.ready else "the daemon is still starting, or is stopping",
            "journal": _journal_trouble(app),
            "tasks": _tasks_trouble(app.supervisor.troubles()),
            "loop": _loop_trouble(app.watchdog.lag_s()),
            "disk": disk_trouble(disk_of(app.settings.data_dir)),
        }


def _journal_trouble(app: DaemonParts) -> str:
    waits_s = app.watchdog.write_waits_s()
    if not app.store.health().alive:
        return "nothing can be stored any more; see the log"
    return f"a write has waited for {waits_s:.0f} s and is not stored" if waits_s > WRITE_LONGEST_S else ""


def _tasks_trouble(troubles: list[str]) -> str:
    if not troubles:
        return ""
    more = f"; and {len(troubles) - TROUBLES_MAX} more" if len(troubles) > TROUBLES_MAX else ""
    return f"{len(troubles)} not at work: {'; '.join(troubles[:TROUBLES_MAX])}{more}"


def _loop_trouble(lag_s: float) -> str:
    return f"the event loop was blocked for {lag_s:.1f} s within the last minute" if lag_s > LAG_LONGEST_S else ""


def _site_findings(badge_watcher: BadgeWatcher) -> dict[str, int]:
    """Nothing before the rows of the badge watcher are read: a 0 would be a lie, and then a rise."""
    return (
        {}
        if badge_watcher.projector is None
        else {kind: badge_watcher.running_totals.open_findings[kind] for kind in KINDS}
    )


def _receiver(alerting: Alerting, name: str) -> ReceiverTelemetry:
    worker = alerting.workers[name]
    counts: dict[str, int] = {outcome: worker.counts[outcome] for outcome in OUTCOMES_OF_MESSAGES}
    counts["dropped"] += alerting.dropped[name]
    queue = worker.queue
    return ReceiverTelemetry(counts, queue.waiting, queue.oldest_us, queue.last_success_us)


def _lines(app: DaemonParts) -> Iterable[tuple[LineFeedSettings, LineFeed]]:
    return zip(app.settings.feeds.lines, app.line_feeds, strict=False)


def _feed(stats: FeedStats) -> FeedTelemetry:
    return FeedTelemetry(
        events={outcome: stats.events[outcome] for outcome in OUTCOMES},
        refused={reason: stats.refused[reason] for reason in get_args(Reason)},
        connections_open=stats.connections_open,
        lost_lines=stats.lost_lines,
        tee_broken=stats.tee_broken,
    )


def _printer(watcher: PrinterWatcher) -> PrinterTelemetry:
    good = watcher.last_good
    return PrinterTelemetry(
        printer=watcher.printer,
        meter={} if good is None else {name: count.value for name, count in good.sight.counts},
        last_reading_us=None if good is None else good.received_us,
        up=None if watcher.last is None else isinstance(watcher.last, Reading),
        open_windows=watcher.open_windows(),
        settle_us=watcher.settle_us(),
        open_findings=dict(watcher.running_totals.open_findings),
        pages=dict(watcher.running_totals.pages),
        figures_known=watcher.projector is not None,
    )
