"""What is looked at to see whether more is asked of the daemon than it can do."""

from __future__ import annotations

from pagereeve.app.journals import RunningJournal
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.engine.supervision.overload import RETRY_LEAST_S, Measured, OverloadWatch
from pagereeve.feeds.refusals import PutOff


def load_measured(store: RunningJournal, registry: PrinterRegistry) -> Measured:
    health, projecting = store.health(), registry.around.projecting
    # What waits for a journal that is away, or gives no answer, says nothing of how much is asked.
    waits_in_vain = health.hindrance in {"silent", "away"}
    return {
        "write-wait": 0.0 if waits_in_vain else health.waiting_us / SECOND_US,
        "write-queue": 0.0 if waits_in_vain else health.queue_depth / health.queue_depth_max,
        "projection-wait": projecting.waited_s(),
    }


def put_off(store: RunningJournal, watch: OverloadWatch) -> PutOff | None:
    """Why senders that can wait are to come again later; None where they are not."""
    if store.silent:
        return PutOff(RETRY_LEAST_S, "silent")
    again_s = watch.retry_after_s()
    return None if again_s is None else PutOff(again_s)
