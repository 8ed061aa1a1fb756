"""What the counts of the test jobs say of a meter: every explanation is tried, and only what all that fit share holds.

A two-sided job of three pages moves a counter of sides by 3, or by 4 where the blank back
passes and is counted (RFC 2707 section 2), a counter of sheets by 2; a printer that ignores two-sided prints 3 sheets.
Counts alone can't separate such a printer from one whose blank backs go uncounted: a person who looks at the paper can.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from math import ceil
from typing import Final, TypeVar

from pagereeve.domain.facts.policy import BlankBacks
from pagereeve.domain.facts.reading import KNOWN_UNITS, Unit
from pagereeve.domain.facts.ticket import SEPARATORS_MAX
from pagereeve.proof.results import JobSeen

# A pause half as long again as any seen, and two polls of half a second that may hide at both its ends.
SETTLE_MARGIN: Final = 1.5
SETTLE_POLLS_S: Final = 1.0
SETTLE_LEAST_S: Final = 5


@dataclass(frozen=True, slots=True)
class MeterHabits:
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
    """None and ``unknown``: the counts leave it open, or are too odd to build on.

    ``problem`` says why nothing was concluded, if so; ``notes`` what is left open; ``paper_decides`` that a look at the
    two-sided job's sheets would show more.
    """

    unit: Unit | None = None
    blank_backs: BlankBacks = "unknown"
    separator_sheets: int | None = None
    settle_s: int | None = None
    sides_ignored: bool = False
    copies_ignored: bool = False
    paper_decides: bool = False
    problem: str = ""
    notes: tuple[str, ...] = ()


def deduce(jobs: Sequence[JobSeen], sheets_seen: int | None = None, unit_said: Unit | None = None) -> Deduced:
    """What follows from test jobs.

    ``sheets_seen`` is what a person counted of the two-sided job, but separators; ``unit_said`` is the agent's own
    word, which decides only what the pages leave open.
    """
    counts = ", ".join(f"{job.job} {job.counted}" for job in jobs)
    if not jobs:
        return Deduced(problem="no job was printed")
    if all(job.counted == 0 for job in jobs):
        return Deduced(problem="the meter did not move: were the pages printed, and by this printer?")
    if any(not job.rested for job in jobs):
        return Deduced(problem=f"the meter did not come to rest ({counts}); is somebody else printing?")
    if stray := _stray(jobs):
        return Deduced(problem=stray)
    fitting = [habits for habits in _all() if _fits(habits, jobs, sheets_seen)]
    if not fitting:
        return Deduced(problem=f"no known habit explains the counts ({counts}); repeat it while nobody else prints")
    return _common(fitting, jobs, unit_said)


def _stray(jobs: Sequence[JobSeen]) -> str:
    """A count that moved between two jobs is somebody else's, or late: the jobs' own counts are then in doubt too."""
    for earlier, later in pairwise(jobs):
        rested_at = None if earlier.before is None else earlier.before + earlier.counted
        if rested_at is not None and later.before is not None and later.before != rested_at:
            return (
                f"the counter moved from {rested_at} to {later.before} between '{earlier.job}' and '{later.job}': "
                "somebody else prints, or the counter lags by more than the wait"
            )
    return ""


def _all() -> Iterator[MeterHabits]:
    flags = (False, True)
    separators = range(SEPARATORS_MAX + 1)
    for unit, blank, sheets, backs, sides, copies in product(KNOWN_UNITS, flags, separators, flags, flags, flags):
        yield MeterHabits(unit, blank, sheets, backs, sides_ignored=sides, copies_ignored=copies)


def _fits(habits: MeterHabits, jobs: Sequence[JobSeen], sheets_seen: int | None) -> bool:
    two_sided = [job for job in jobs if job.two_sided]
    if sheets_seen is not None and any(habits.sheets(job) != sheets_seen for job in two_sided):
        return False
    return all(habits.counts(job) == job.counted for job in jobs)


def _common(fitting: Sequence[MeterHabits], jobs: Sequence[JobSeen], unit_said: Unit | None) -> Deduced:
    """What all explanations share. A printer that ignores the job's options proves nothing of its meter."""
    sides = _one({one.sides_ignored for one in fitting})
    copies = _one({one.copies_ignored for one in fitting})
    settle_s = settle_of(jobs)
    if sides or copies:
        return Deduced(
            settle_s=settle_s,
            sides_ignored=bool(sides),
            copies_ignored=bool(copies),
            notes=tuple(_disobeyed(ignores_sides=bool(sides), ignores_copies=bool(copies))),
        )
    obeying = [one for one in fitting if not one.sides_ignored]
    unit = _unit(fitting, obeying, jobs, unit_said)
    # Explanations that the unit rules out have no say in the rest.
    blank = _one({one.blank_backs_counted for one in obeying if one.unit is unit})
    known = unit is Unit.IMPRESSIONS and sides is False and blank is not None
    return Deduced(
        unit=unit,
        blank_backs=("counted" if blank else "not-counted") if known else "unknown",
        separator_sheets=_one({one.separator_sheets for one in fitting}),
        settle_s=settle_s,
        paper_decides=_paper_decides(sides, jobs),
        notes=tuple(_open_questions(unit, sides, jobs)),
    )


def _unit(
    fitting: Sequence[MeterHabits], obeying: Sequence[MeterHabits], jobs: Sequence[JobSeen], unit_said: Unit | None
) -> Unit | None:
    """The agent's word counts where two-sided pages allow it, but not if it means that two-sided was ignored."""
    known = _one({one.unit for one in fitting})
    allowed = any(job.two_sided for job in jobs) and any(one.unit is unit_said for one in obeying)
    return known or (unit_said if allowed else None)


Value = TypeVar("Value")


def _one(values: set[Value]) -> Value | None:
    return next(iter(values)) if len(values) == 1 else None


def _disobeyed(*, ignores_sides: bool, ignores_copies: bool) -> Iterator[str]:
    if ignores_sides:
        yield "two-sided is ignored: each page has its own sheet, so sides and sheets can't be separated"
    if ignores_copies:
        yield "copies are ignored: of two, one was printed, or two were and one was counted; count the printed sheets"


def _paper_decides(sides: bool | None, jobs: Sequence[JobSeen]) -> bool:
    return sides is None and any(job.two_sided for job in jobs)


def _open_questions(unit: Unit | None, sides: bool | None, jobs: Sequence[JobSeen]) -> Iterator[str]:
    if unit is None:
        more = "" if any(job.two_sided for job in jobs) else "; print a two-sided job too"
        yield f"these jobs can't separate sides and sheets{more}"
    if _paper_decides(sides, jobs):
        yield "a printer that ignores two-sided would count the same: count the printed sheets and pass --sheets-seen N"


def settle_of(jobs: Sequence[JobSeen]) -> int:
    """How long the count must not move before it has surely rested, in whole seconds."""
    pauses = [job.longest_pause_s for job in jobs]
    return max(SETTLE_LEAST_S, ceil(max(pauses, default=0.0) * SETTLE_MARGIN + SETTLE_POLLS_S))
