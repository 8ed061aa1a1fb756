"""What the printer itself says of a test job while it is watched, beside what the meter counts of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.facts.jobs import ENDED, JobDoor
from pagereeve.domain.facts.reading import Unit
from pagereeve.ports.jobs import JobRow, JobWitness
from pagereeve.ports.meter import MeterTarget
from pagereeve.proof.results import JobSaid, JobSeen

NAMES: Final[dict[JobDoor, str]] = {"snmp": "SNMP", "ipp": "IPP"}
# A table is found at the first look, and what is in it already at the second.
LOOKS_BEFORE: Final = 2


@dataclass(slots=True)
class JobsTold:
    """``doors`` are the protocols over which the printer tells of its jobs at all; ``_rows`` the last word on each job
    that came since ``begin``.
    """

    witness: JobWitness
    target: MeterTarget
    wait_s: float
    doors: set[JobDoor] = field(default_factory=set)
    _rows: dict[tuple[JobDoor, int, int, int], JobRow] = field(default_factory=dict)

    async def begin(self) -> None:
        """From here on: jobs that the printer lists already are others'."""
        for _ in range(LOOKS_BEFORE):
            await self.look()
        self._rows.clear()

    async def look(self) -> None:
        for look in await self.witness.look(self.target, self.wait_s, busy=True):
            self.doors.add(look.door)
            for row in look.rows:
                self._rows[look.door, look.set, row.epoch, row.job] = row

    def said(self) -> tuple[JobSaid, ...]:
        return tuple(
            JobSaid(door, row.job, row.state, row.counts.impressions, row.counts.sheets)
            for (door, _, _, _), row in sorted(self._rows.items())
        )


def disagreements(jobs: Sequence[JobSeen], doors: set[JobDoor], unit: Unit | None) -> list[str]:
    """Where the printer's own counts are not what the meter counted, in its ``unit``; one text a protocol.

    A count of 0 says that jobs are not counted (apple/cups#4991). What is not over yet says nothing.
    """
    return [text for door in sorted(doors) if (text := _disagreement(jobs, door, unit))]


def _disagreement(jobs: Sequence[JobSeen], door: JobDoor, unit: Unit | None) -> str:
    told = {job.job: [one for one in job.said if one.door == door] for job in jobs}
    if not any(told.values()):
        return f"by {NAMES[door]} the printer lists no job that comes to this print port"
    apart = []
    for job in jobs:
        made = [_made(one, unit) for one in told[job.job] if one.state in ENDED]
        if made and not any(made) and job.counted:
            apart.append(f"{job.job}: no count, the meter {job.counted}")
        elif made and None not in made and sum(one or 0 for one in made) != job.counted:
            apart.append(f"{job.job}: {sum(one or 0 for one in made)}, the meter {job.counted}")
    if not apart:
        return ""
    return f"by {NAMES[door]} the printer's own counts of the jobs are not the meter's ({'; '.join(apart)})"


def _made(one: JobSaid, unit: Unit | None) -> int | None:
    return one.sheets if unit is Unit.SHEETS else one.impressions


def said_text(one: JobSaid) -> str:
    """One job as the printer tells of it."""
    counts = [
        f"{count} {what if count != 1 else what[:-1]}"
        for count, what in ((one.impressions, "impressions"), (one.sheets, "sheets"))
        if count is not None
    ]
    return f"job {one.number} by {NAMES[one.door]}: {one.state}, {', '.join(counts) or 'no count'}"
