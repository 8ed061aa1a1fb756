"""What the running daemon shows of itself: ports.telemetry over the app's own parts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from importlib.metadata import version
from typing import TYPE_CHECKING, get_args

from pagereeve.domain.badgeform import Refused
from pagereeve.domain.entrance import KINDS
from pagereeve.domain.reading import Reading
from pagereeve.engine.keeper import Keeper
from pagereeve.feeds.refusals import Reason
from pagereeve.feeds.stats import FeedStats
from pagereeve.meters.stats import Refusal
from pagereeve.ports.telemetry import FeedTelemetry, PrinterTelemetry, ProcessTelemetry

if TYPE_CHECKING:
    from pagereeve.app import App
    from pagereeve.feeds.lines import LineFeed
    from pagereeve.settings import LineFeedSettings

OUTCOMES = ("stored", "duplicate", "conflict", "quarantined")
TASKS = ("keeper", "porter", "checkpoint")


class Telemetry:
    """Implements ports.telemetry.MetricsSource and Readiness."""

    def __init__(self, app: App) -> None:
        self._app = app
        self._version = version("pagereeve")

    def printers(self) -> Iterable[PrinterTelemetry]:
        if not self._app.settings.metrics.per_printer:
            return []
        registered = self._app.desk.registry
        return [_printer(keeper) for name, keeper in self._app.desk.keepers.items() if name in registered]

    def process(self) -> ProcessTelemetry:
        app = self._app
        feeds = {"http": _feed(app.events.stats)}
        feeds |= {line.name: _feed(feed.stats) for line, feed in _lines(app)}
        restarts = dict.fromkeys(TASKS, 0) | dict(app.supervisor.restarts)
        return ProcessTelemetry(
            version=self._version,
            feeds=feeds,
            reads=dict(app.meter.stats.reads),
            refused_datagrams={kind.value: app.meter.stats.refused[kind] for kind in Refusal},
            journal=app.store.health(),
            projections=app.tally.projections,
            rewinds=app.tally.rewinds,
            unavailable=app.tally.unavailable,
            restarts=restarts,
            oddities=app.meter.stats.oddities(),
            refused_badges={reason: app.tally.refused_badges[reason] for reason in get_args(Refused)},
            house_findings={kind: app.porter.figures.open_findings[kind] for kind in KINDS},
            receive_drops=app.meter.endpoint.kernel_drops,
        )

    def parts(self) -> Mapping[str, str]:
        """Ready once everything is open; never dependent on printers (FIELD-CASES.md 7.14)."""
        app = self._app
        health = app.store.health()
        failing = sorted(app.supervisor.failing)
        return {
            "start": "" if app.ready else "the daemon is still starting, or is stopping",
            "journal": "" if health.alive else "nothing can be stored any more; see the log",
            "tasks": f"{len(failing)} task(s) failed and wait to begin anew: {', '.join(failing[:5])}"
            if failing
            else "",
        }


def _lines(app: App) -> Iterable[tuple[LineFeedSettings, LineFeed]]:
    return zip(app.settings.feeds.lines, app.line_feeds, strict=False)


def _feed(stats: FeedStats) -> FeedTelemetry:
    return FeedTelemetry(
        events={outcome: stats.events[outcome] for outcome in OUTCOMES},
        refused={reason: stats.refused[reason] for reason in get_args(Reason)},
        connections_open=stats.connections_open,
        lost_lines=stats.lost_lines,
        tee_broken=stats.tee_broken,
    )


def _printer(keeper: Keeper) -> PrinterTelemetry:
    good = keeper.last_good
    return PrinterTelemetry(
        printer=keeper.printer,
        meter={} if good is None else {name: count.value for name, count in good.sight.counts},
        last_reading_us=None if good is None else good.received_us,
        up=None if keeper.last is None else isinstance(keeper.last, Reading),
        open_windows=keeper.open_windows(),
        settle_us=keeper.settle_us(),
        open_findings=dict(keeper.figures.open_findings),
        pages=dict(keeper.figures.pages),
    )
