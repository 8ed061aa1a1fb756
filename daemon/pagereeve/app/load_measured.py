"""What is looked at to see whether more is asked of the daemon than it can do."""

from __future__ import annotations

from pagereeve.app.journals import RunningJournal
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.engine.supervision.overload import Measured


def load_measured(store: RunningJournal, registry: PrinterRegistry) -> Measured:
    health, projecting = store.health(), registry.around.projecting
    return {
        # What waits for a journal that is away says nothing of how much is asked.
        "write-wait": 0.0 if health.hindrance == "away" else health.waiting_us / SECOND_US,
        "write-queue": health.queue_depth / health.queue_depth_max,
        "projection-wait": projecting.waited_s(),
    }
