"""What a simulated printer tells of its jobs: numbers, states and counts, by its habit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from pagereeve.simulator.printer.model import PrinterSpec, PrintJob, Sheet
from pagereeve.simulator.printer.spool import Spooled

LOGGED_MAX: Final = 256
# jmJobIndex: positive, and begun anew at its end (RFC 2707 section 3.2).
NUMBER_MAX: Final = 2**31 - 1

State = Literal["pending", "processing", "cancelled", "aborted", "completed"]


@dataclass(slots=True)
class LoggedJob:
    """A job that came; ``over_us`` is when it was over. What it made left the printer, or is in the tray."""

    number: int
    cause: str
    state: State = "pending"
    impressions: int = 0
    sheets: int = 0
    over_us: int | None = None


class JobLog:
    """Every job gets the next number; at its end a row lasts for the spec's time."""

    def __init__(self, spec: PrinterSpec) -> None:
        self._spec = spec
        self._jobs: dict[int, tuple[Spooled, LoggedJob]] = {}
        self._created: dict[str, int] = {}
        self.newest = 0

    def create(self, name: str) -> int:
        """The number of a job of which the pages come later (Create-Job, RFC 8011 section 4.2.4)."""
        self.newest = self.newest % NUMBER_MAX + 1
        self._created[name] = self.newest
        return self.newest

    def came(self, spooled: Spooled) -> None:
        name = spooled.job.name
        if name not in self._created:
            self.create(name)
        number = self._created.pop(name)
        self._jobs[number] = (spooled, LoggedJob(number, spooled.job.cause))
        if len(self._jobs) > LOGGED_MAX:
            del self._jobs[next(iter(self._jobs))]

    def made(self, job: PrintJob, sheet: Sheet, at_us: int) -> None:
        """A sheet of the job passed the counting point, also one whose job has left the memory by then."""
        for _, logged in self._of(job):
            logged.impressions += sheet.passes
            logged.sheets += 1
            logged.over_us = None if logged.over_us is None else at_us
            return

    def over(self, spooled: Spooled, at_us: int) -> None:
        for known, logged in self._jobs.values():
            if known is spooled and logged.over_us is None:
                logged.state, logged.over_us = _end_of(spooled), at_us

    def _of(self, job: PrintJob) -> Iterator[tuple[Spooled, LoggedJob]]:
        return (one for one in self._jobs.values() if one[0].job is job)

    def told(self, at_us: int, at_work: Spooled | None) -> list[LoggedJob]:
        """The rows that the printer shows at an instant; ``at_work`` is the job that is being printed."""
        if self._spec.job_rows == "none":
            return []
        return [
            self._shown(logged, spooled is at_work)
            for spooled, logged in self._jobs.values()
            if self._lasts(logged, at_us)
        ]

    def _lasts(self, logged: LoggedJob, at_us: int) -> bool:
        if logged.over_us is None:
            return True
        return self._spec.job_rows != "forgetful" and at_us - logged.over_us < self._spec.job_rows_us

    def _shown(self, logged: LoggedJob, is_at_work: bool) -> LoggedJob:
        times = {"uncounted": 0, "doubled": 2}.get(self._spec.job_rows, 1)
        state: State = "processing" if logged.over_us is None and (is_at_work or logged.impressions) else logged.state
        made = (times * logged.impressions, times * logged.sheets)
        return LoggedJob(logged.number, logged.cause, state, *made, logged.over_us)


def _end_of(spooled: Spooled) -> State:
    if spooled.dropped:
        return "cancelled"
    return "completed" if spooled.whole else "aborted"
