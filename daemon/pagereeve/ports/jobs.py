"""What a printer says of its own print jobs, as the engine sees it: numbers, states and counts, and no name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from pagereeve.domain.facts.jobs import NOT_COUNTED, JobCounts, JobDoor, JobState
from pagereeve.ports.meter import MeterTarget


@dataclass(frozen=True, slots=True)
class JobRow:
    """One job as one look showed it. ``epoch`` grows when the printer's numbers begin anew. ``name`` is
    that one of the names asked for which the job has at the printer: one of ours, and never read out of an answer.
    """

    job: int
    state: JobState
    counts: JobCounts = NOT_COUNTED
    reasons: int = 0
    service: int | None = None
    channel: int | None = None
    epoch: int = 1
    name: str = ""


@dataclass(frozen=True, slots=True)
class JobsLook:
    """One look at a printer's jobs, through one protocol, true at some instant from ``sent_us`` to ``received_us``.

    ``rows`` are the jobs seen, ``gone`` those (epoch and number) that an earlier look saw and that are there no more.
    ``whole``: a job that is neither in this look nor in an earlier one was not there.
    """

    door: JobDoor
    set: int
    sent_us: int
    received_us: int
    rows: tuple[JobRow, ...] = ()
    gone: tuple[tuple[int, int], ...] = ()
    whole: bool = True


class JobWitness(Protocol):
    async def look(
        self, target: MeterTarget, timeout_s: float, *, busy: bool, names: Sequence[str] = ()
    ) -> Sequence[JobsLook]:
        """What the printer says of its jobs, after a good reading of its meter; nothing where it says nothing.

        ``busy``: a release's window is open. ``names`` are what open releases call their jobs: those that are ids of
        the printer's own kind are looked for. Never raises for what a network or printer does.
        """
        ...
