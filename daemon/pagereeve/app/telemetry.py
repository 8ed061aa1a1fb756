"""What the running daemon shows of itself: a list of those who know a figure, asked when somebody wants to see it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from typing import Final

from pagereeve.app.compiled import compiled
from pagereeve.ports.queries import JournalHealth
from pagereeve.ports.spool import SpoolFigures
from pagereeve.ports.telemetry import (
    PARTS,
    ClockTelemetry,
    DiskTelemetry,
    EngineTelemetry,
    FeedTelemetry,
    ForwardingTelemetry,
    GatewayTelemetry,
    MeterTelemetry,
    OverloadTelemetry,
    PrinterTelemetry,
    ProcessTelemetry,
    ReceiverTelemetry,
    ReloadTelemetry,
    SiteTelemetry,
    TaskTelemetry,
)

VERSION: Final = version("pagereeve")
CODE: Final = compiled().word


@dataclass(frozen=True, slots=True, kw_only=True)
class Telemetry:
    """Implements ports.telemetry.MetricsSource and Readiness. ``feeds`` may grow; ``troubles`` has all of PARTS.

    A trouble is "" where the part works, and never dependent on printers (FreeRADIUS/freeradius-server#2698).
    """

    each_printer: Callable[[], Iterable[PrinterTelemetry]]
    feeds: Mapping[str, Callable[[], FeedTelemetry]]
    receivers: Mapping[str, Callable[[], ReceiverTelemetry]]
    journal: Callable[[], JournalHealth]
    meter: Callable[[], MeterTelemetry]
    engine: Callable[[], EngineTelemetry]
    tasks: Callable[[], TaskTelemetry]
    clock: Callable[[], ClockTelemetry]
    disk: Callable[[], DiskTelemetry | None]
    loop_lag_s: Callable[[], float]
    site_findings: Callable[[], Mapping[str, int]]
    open_alerts: Callable[[], Mapping[str, int]]
    troubles: Mapping[str, Callable[[], str]]
    reload: Callable[[], ReloadTelemetry] = ReloadTelemetry
    gateways: Callable[[], Mapping[str, GatewayTelemetry]] = dict
    sign_ins: Callable[[], Mapping[tuple[str, str], int]] = dict
    overload: Callable[[], OverloadTelemetry] = OverloadTelemetry
    spool: Callable[[], SpoolFigures] = SpoolFigures
    forwarding: Callable[[], Mapping[str, ForwardingTelemetry]] = dict
    sites: Callable[[], Mapping[str, SiteTelemetry]] = dict
    sites_notice: Callable[[], str] = str

    def printers(self) -> Iterable[PrinterTelemetry]:
        return self.each_printer()

    def process(self) -> ProcessTelemetry:
        return ProcessTelemetry(
            version=VERSION,
            code=CODE,
            journal=self.journal(),
            feeds={name: feed() for name, feed in self.feeds.items()},
            receivers={name: receiver() for name, receiver in self.receivers.items()},
            meter=self.meter(),
            engine=self.engine(),
            tasks=self.tasks(),
            clock=self.clock(),
            disk=self.disk(),
            loop_lag_s=self.loop_lag_s(),
            parts=self.parts(),
            site_findings=self.site_findings(),
            open_alerts=self.open_alerts(),
            reload=self.reload(),
            gateways=self.gateways(),
            sign_ins=self.sign_ins(),
            overload=self.overload(),
            spool=self.spool(),
            forwarding=self.forwarding(),
            sites=self.sites(),
        )

    def parts(self) -> Mapping[str, str]:
        return {part: self.troubles[part]() for part in PARTS}

    def notices(self) -> Mapping[str, str]:
        stopped = "; ".join(one.trouble for one in self.forwarding().values() if one.trouble)
        told = {"reload": self.reload().trouble, "overload": self.overload().notice, "forwarding": stopped}
        told["sites"] = self.sites_notice()
        return {name: text for name, text in told.items() if text}
