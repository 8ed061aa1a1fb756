"""What a printer's watcher shows of itself."""

from __future__ import annotations

from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Failure, Reading, SilenceReason
from pagereeve.domain.projection.projector import PrinterProjector
from pagereeve.engine.ledger_updater import LedgerUpdater
from pagereeve.engine.printers.poll_schedule import PollSchedule
from pagereeve.engine.printers.reading_recorder import ReadingRecorder
from pagereeve.ports.telemetry import PrinterTelemetry


def figures_of(
    recorder: ReadingRecorder,
    updater: LedgerUpdater[PrinterProjector],
    schedule: PollSchedule,
    *,
    gateway: str,
    policy: Policy | None,
) -> PrinterTelemetry:
    good, last, totals, projector = recorder.last_good, recorder.last, updater.running_totals, updater.projector
    waits = () if projector is None else projector.waits
    return PrinterTelemetry(
        printer=recorder.printer,
        meter={} if good is None else {name: count.value for name, count in good.sight.counts},
        last_reading_us=None if good is None else good.received_us,
        up=None if last is None else isinstance(last, Reading),
        gateway=gateway,
        failed_reads=schedule.failures,
        late=isinstance(last, Failure) and last.reason is SilenceReason.LATE,
        open_windows=0 if projector is None else len(projector.open_starts()),
        settle_us=None if projector is None else projector.rules.settle_us(updater.clock.now_us()),
        open_findings=dict(totals.open_findings),
        pages=dict(totals.pages),
        pages_waiting={one.channel: one.pages for one in waits},
        releases_waiting=max((one.releases for one in waits), default=0),
        figures_known=projector is not None,
        by_panel=policy is not None and policy.by_panel,
    )
