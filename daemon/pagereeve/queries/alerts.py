"""Which alerts were sent, and which messages wait for which receiver."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pagereeve.ports.outbox import Kept, Queue
from pagereeve.ports.reads import Reads


@dataclass(frozen=True, slots=True)
class AlertsAnswer:
    """``queues`` are by receiver."""

    kept: Sequence[Kept]
    queues: Mapping[str, Queue]

    @property
    def one_stands(self) -> bool:
        """A message was sent of an alert that is not over."""
        return any(alert.told and alert.ended_us is None for alert, _ in self.kept)


async def alerts_of(reads: Reads) -> AlertsAnswer:
    """Read at one moment."""
    async with reads.snapshot() as held:
        return AlertsAnswer(await held.alerts(), await held.queues())
