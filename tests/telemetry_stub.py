"""A daemon's telemetry made up for tests of the pages that show it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.ports.queries import JournalHealth
from pagereeve.ports.telemetry import (
    ClockTelemetry,
    DiskTelemetry,
    EngineTelemetry,
    FeedTelemetry,
    MeterTelemetry,
    PrinterTelemetry,
    ProcessTelemetry,
    ReceiverTelemetry,
    TaskTelemetry,
)

HEALTH = JournalHealth(
    alive=True,
    fence=1,
    queue_depth=0,
    queue_depth_max=10_000,
    commits=0,
    rows=0,
    duplicates=0,
    conflicts=0,
    failures=0,
    last_commit_monotonic_us=None,
    last_commit_us=None,
    wal_size_bytes=0,
    wal_limit_bytes=2**24,
    database_size_bytes=4096,
)
PROCESS = ProcessTelemetry(
    version="0.0-invented",
    feeds={"http": FeedTelemetry(events={}, refused={"bad-json": 0, "too-large": 0})},
    meter=MeterTelemetry({}, {"wrong-address": 0, "late": 0}, {"slow-read": 3, "new-row": 0}, 0),
    engine=EngineTelemetry(refused_badges={"form": 0, "parity": 2}),
    tasks=TaskTelemetry({"printers": 0}, {"printers": 0}),
    site_findings={"unknown-badge": 3, "feed-silent": 0},
    journal=HEALTH,
    parts={"start": "", "journal": ""},
    receivers={"desk": ReceiverTelemetry({"delivered": 3, "failed": 1, "refused": 0, "dropped": 0}, 2, 5 * 10**12)},
    open_alerts={"critical": 1},
    disk=DiskTelemetry(2**30, 2**32),
)


# As health pages say that the machine's clock goes with the dates that facts get.
GOES: Final = {"ahead_s": 0, "agreed": True}


@dataclass
class StubTelemetry:
    """Implements ports.telemetry.MetricsSource and Readiness."""

    known: list[PrinterTelemetry] = field(default_factory=list)
    own: ProcessTelemetry = PROCESS
    waiting: dict[str, str] = field(default_factory=lambda: {"journal": "", "start": ""})
    noticed: dict[str, str] = field(default_factory=dict)

    def printers(self) -> Iterable[PrinterTelemetry]:
        return self.known

    def process(self) -> ProcessTelemetry:
        return self.own

    def parts(self) -> Mapping[str, str]:
        return self.waiting

    def clock(self) -> ClockTelemetry:
        return self.own.clock

    def notices(self) -> Mapping[str, str]:
        return self.noticed

    def journal(self, **changes: int | bool | None) -> None:
        self.own = replace(self.own, journal=replace(HEALTH, **changes))  # type: ignore[arg-type]
