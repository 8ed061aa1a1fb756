"""What the counts of the test jobs say of a meter: every explanation is tried, and only what all that fit share holds.

Worked values: STANDARDS 6.8. A two-sided job of three pages moves a counter of sides by 3, or by 4 where the blank back
passes and is counted (RFC 2707 section 2), a counter of sheets by 2; a printer that ignores two-sided prints 3 sheets.
Counts alone can't tell such a printer from one whose blank backs go uncounted: a person who looks at the paper can.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from math import ceil
from typing import Final

from pagereeve.domain.policy import BlankBacks
from pagereeve.domain.reading import Unit
from pagereeve.domain.ticket import SEPARATORS_MAX
from pagereeve.proof.results import JobSeen

# A pause half as long again as any seen, and two polls of half a second that may hide at both its ends.
SETTLE_MARGIN: Final = 1.5
SETTLE_POLLS_S: Final = 1.0
SETTLE_LEAST_S: Final = 5


@dataclass(frozen=True, slots=True)
class Habits:
    """One explanation of a meter and its printer."""

    unit: Unit
    blank_backs_counted: bool
    separator_sheets: int
    separator_backs_counted: bool = False
    sides_ignored: bool = False
    copies_ignored: bool = False

    def sheets(self, job: JobSeen) -> int:
        """Sheets of paper, separators left out."""
        one = job.pages if self.sides_ignored or not job.two_sided else ceil(job.pages / 2)
        return one * (1 if self.copies_ignored else job.copies)

    def counts(self, job: JobSeen) -> int:
        """What the meter should count of a job."""
        if self.unit is Unit.SHEETS:
            return self.sheets(job) + self.separator_sheets
        two_sided = job.two_sided and not self.sides_ignored
        separators = self.separator_sheets * (2 if two_sided and self.separator_backs_counted else 1)
        if two_sided and self.blank_backs_counted:
            return 2 * self.sheets(job) + separators
        return job.pages * (1 if self.copies_ignored else job.copies) + separators


@dataclass(frozen=True, slots=True)
class Deduced:
    """None and ``unknown``: the counts leave it open. ``problem`` says why nothing was concluded, if so."""

    unit: Unit | None = None
    blank_backs: BlankBacks = "unknown"
    separator_sheets: int | None = None
    settle_s: int | None = None
    sides_ignored: bool = False
    copies_ignored: bool = False
    problem: str = ""
    notes: tuple[str, ...] = ()


def deduce(jobs: Sequence[JobSeen], sheets_seen: int | None = None) -> Deduced:
    """What follows from test jobs. ``sheets_seen`` is what a person counted of the two-sided job, but separators."""
    told = ", ".join(f"{job.job} {job.counted}" for job in jobs)
    if not jobs:
        return Deduced(problem="no job was printed")
    if all(job.counted == 0 for job in jobs):
        return Deduced(problem="the meter did not move: were the pages printed, and by this printer?")
    if any(not job.rested for job in jobs):
        return Deduced(problem=f"the meter did not come to rest ({told}); is somebody else printing?")
    fitting = [habits for habits in _all() if _fits(habits, jobs, sheets_seen)]
    if not fitting:
        return Deduced(problem=f"no known habit explains the counts ({told}); repeat it while nobody else prints")
    fewest = min(_oddities(habits) for habits in fitting)
    likely = [habits for habits in fitting if _oddities(habits) == fewest]
    told_apart = sheets_seen is not None or not any(job.two_sided for job in jobs)
    return _common(likely, jobs, [] if told_apart else _doubts(fitting, likely))


def _all() -> Iterator[Habits]:
    flags = (False, True)
    separators = range(SEPARATORS_MAX + 1)
    for unit, blank, sheets, backs, sides, copies in product(Unit, flags, separators, flags, flags, flags):
        yield Habits(unit, blank, sheets, backs, sides_ignored=sides, copies_ignored=copies)


def _fits(habits: Habits, jobs: Sequence[JobSeen], sheets_seen: int | None) -> bool:
    two_sided = [job for job in jobs if job.two_sided]
    if sheets_seen is not None and any(habits.sheets(job) != sheets_seen for job in two_sided):
        return False
    return all(habits.counts(job) == job.counted for job in jobs)


def _oddities(habits: Habits) -> int:
    """The plainer explanation is the likelier one: a printer that does as it is told, without separators."""
    return habits.sides_ignored + habits.copies_ignored + (habits.separator_sheets > 0)


def _doubts(fitting: Sequence[Habits], likely: Sequence[Habits]) -> list[str]:
    ignored = [any(one.sides_ignored for one in habits) for habits in (fitting, likely)]
    if ignored == [True, False]:
        return ["a printer that ignores two-sided would count the same: look at the paper (--sheets-seen)"]
    return []


def _common(likely: Sequence[Habits], jobs: Sequence[JobSeen], notes: list[str]) -> Deduced:
    units = {one.unit for one in likely}
    blanks = {one.blank_backs_counted for one in likely}
    separators = {one.separator_sheets for one in likely}
    unit = units.pop() if len(units) == 1 else None
    known_blank = len(blanks) == 1 and unit is Unit.IMPRESSIONS
    first = likely[0]
    if unit is None:
        notes.append("sides and sheets can't be told apart by these jobs; print a two-sided one")
    if first.sides_ignored:
        notes.append("two-sided is ignored: each page came out on a sheet of its own")
    if first.copies_ignored:
        notes.append("copies are ignored: one came out where several were asked for")
    return Deduced(
        unit=unit,
        blank_backs=("counted" if blanks.pop() else "not-counted") if known_blank else "unknown",
        separator_sheets=separators.pop() if len(separators) == 1 else None,
        settle_s=settle_of(jobs),
        sides_ignored=first.sides_ignored,
        copies_ignored=first.copies_ignored,
        notes=tuple(notes),
    )


def settle_of(jobs: Sequence[JobSeen]) -> int:
    """How long the count must stand still before it has surely rested, in whole seconds."""
    pauses = [job.longest_pause_s for job in jobs]
    return max(SETTLE_LEAST_S, ceil(max(pauses, default=0.0) * SETTLE_MARGIN + SETTLE_POLLS_S))
