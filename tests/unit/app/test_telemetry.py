"""What is shown is what each owner gives, taken anew each time, under the name that its owner has."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from pagereeve.app.telemetry import Telemetry
from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.intake import OUTCOMES
from pagereeve.ports.telemetry import (
    PARTS,
    ClockTelemetry,
    DiskTelemetry,
    EngineTelemetry,
    MeterTelemetry,
    PrinterTelemetry,
    ReceiverTelemetry,
    TaskTelemetry,
)
from tests.telemetry_stub import HEALTH


@dataclass
class Owners:
    """Each gives a value that nobody else gives."""

    feed: FeedStats = field(default_factory=FeedStats)
    lag_s: float = 0.5
    full: str = ""

    def telemetry(self) -> Telemetry:
        return Telemetry(
            each_printer=lambda: [PrinterTelemetry("library")],
            feeds={"badges": self.feed.telemetry},
            receivers={"desk": lambda: ReceiverTelemetry({"delivered": 7})},
            journal=lambda: replace(HEALTH, fence=9),
            meter=lambda: MeterTelemetry({"reading": 4}),
            engine=lambda: EngineTelemetry(rewinds=3),
            tasks=lambda: TaskTelemetry({"printers": 2}),
            clock=lambda: ClockTelemetry(3, -5),
            disk=lambda: DiskTelemetry(1, 2),
            loop_lag_s=lambda: self.lag_s,
            site_findings=lambda: {"unknown-badge": 6},
            open_alerts=lambda: {"critical": 5},
            troubles=dict.fromkeys(PARTS, lambda: "") | {"disk": lambda: self.full},
        )


def test_each_figure_is_its_owners() -> None:
    telemetry = Owners().telemetry()
    shown = telemetry.process()
    assert list(telemetry.printers()) == [PrinterTelemetry("library")]
    assert shown.receivers["desk"].messages == {"delivered": 7}
    assert (shown.journal.fence, shown.meter.reads, shown.engine.rewinds) == (9, {"reading": 4}, 3)
    assert shown.clock == ClockTelemetry(3, -5)
    assert (shown.tasks.restarts, shown.disk, shown.loop_lag_s) == ({"printers": 2}, DiskTelemetry(1, 2), 0.5)
    assert (shown.site_findings, shown.open_alerts) == ({"unknown-badge": 6}, {"critical": 5})


def test_it_is_asked_anew_each_time_and_what_was_shown_stays() -> None:
    owners = Owners()
    telemetry = owners.telemetry()
    before = telemetry.process()
    owners.feed.events["stored"] += 1
    owners.lag_s, owners.full = 7.0, "the disk is full"
    after = telemetry.process()
    assert before.feeds["badges"].events == dict.fromkeys(OUTCOMES, 0)
    assert after.feeds["badges"].events == dict.fromkeys(OUTCOMES, 0) | {"stored": 1}
    assert (before.loop_lag_s, after.loop_lag_s) == (0.5, 7.0)
    assert tuple(after.parts) == PARTS
    assert {part: why for part, why in after.parts.items() if why} == {"disk": "the disk is full"}
