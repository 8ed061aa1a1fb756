"""A simulated printer's job table (RFC 2707 section 4): set 1, and of a job what such printers tell."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from pagereeve.simulator.printer.job_log import LoggedJob, State
from pagereeve.simulator.snmp.mib import Oid, Row

JOB_MIB: Final[Oid] = (1, 3, 6, 1, 4, 1, 2699, 1, 1, 1)
GENERAL: Final[Oid] = (*JOB_MIB, 1, 1, 1)
JOB: Final[Oid] = (*JOB_MIB, 3, 1, 1)
ATTRIBUTE: Final[Oid] = (*JOB_MIB, 4, 1, 1, 3)
JOB_SET: Final = 1
PERSISTENCE_S: Final = 60

# JmJobStateTC and the bits of jobCompletedSuccessfully, jobCanceledByUser, abortedBySystem of JmJobStateReasons1TC.
STATES: Final[dict[State, int]] = {"pending": 3, "processing": 5, "cancelled": 7, "aborted": 8, "completed": 9}
REASONS: Final[dict[State, int]] = {"completed": 0x80000, "cancelled": 0x2000, "aborted": 0x10000}
# JmJobServiceTypesTC: print, and other for what was copied.
PRINT, OTHER = 4, 1


def job_rows(jobs: Sequence[LoggedJob]) -> list[Row]:
    """The rows at one instant. The owner is a text that nobody may ask for."""
    active = [one.number for one in jobs if one.over_us is None]
    general = (len(active), min(active, default=0), max(active, default=0), PERSISTENCE_S, PERSISTENCE_S)
    rows = [Row((*GENERAL, 2 + nth, JOB_SET), "integer", value) for nth, value in enumerate(general)]
    return [*rows, *(row for one in jobs for row in _rows_of(one))]


def _rows_of(job: LoggedJob) -> Iterable[Row]:
    place = (JOB_SET, job.number)
    yield Row((*JOB, 2, *place), "integer", STATES[job.state])
    yield Row((*JOB, 3, *place), "integer", REASONS.get(job.state, 0))
    yield Row((*JOB, 8, *place), "integer", job.impressions)
    yield Row((*JOB, 9, *place), "octets", b"owner-that-nobody-asks-for")
    yield Row((*ATTRIBUTE, *place, 24, 1), "integer", OTHER if job.cause == "copy" else PRINT)
    yield Row((*ATTRIBUTE, *place, 151, 1), "integer", job.sheets)
