"""Every way in which a printer tells of its jobs, one after the other: each look stands by itself."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.ports.jobs import JobsLook, JobWitness
from pagereeve.ports.meter import MeterTarget


class JobWitnesses:
    """Implements ports.jobs.JobWitness: the same jobs may be told of twice, and are never added up."""

    def __init__(self, *witnesses: JobWitness) -> None:
        self._witnesses = witnesses

    async def look(
        self, target: MeterTarget, timeout_s: float, *, busy: bool, names: Sequence[str] = ()
    ) -> Sequence[JobsLook]:
        looks: list[JobsLook] = []
        for witness in self._witnesses:
            looks += await witness.look(target, timeout_s, busy=busy, names=names)
        return looks
