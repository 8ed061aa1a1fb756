"""Two lists of a printer's jobs, those at work and those that are over, as one look."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.facts.jobs import COUNT_MAX, ENDED, JOB_MAX, JobCounts
from pagereeve.meters.job_states import STATES
from pagereeve.ports.jobs import JobRow, JobsLook

JOB_ID, JOB_STATE = "job-id", "job-state"
IMPRESSIONS, SHEETS, PAGES = "job-impressions-completed", "job-media-sheets-completed", "job-pages-completed"
# RFC 8011 sections 5.3.2, 5.3.7, 5.3.18.2 and 5.3.18.3; PWG 5100.13 for pages. Nothing that may name a person.
NAMES: Final = (JOB_ID, JOB_STATE, IMPRESSIONS, SHEETS, PAGES)
# PWG 5100.13; of its value nothing is kept but which one it is of those that were named.
UUID: Final = "job-uuid"
LISTED_MAX: Final = 20


@dataclass(slots=True)
class IppJobs:
    """What earlier looks saw: the jobs that are not over, and the highest number."""

    followed: set[int] = field(default_factory=set)
    highest: int = 0
    looked: bool = False

    def look(
        self,
        open_jobs: Iterable[Mapping[str, int]],
        over: Iterable[Mapping[str, int]],
        sent_us: int,
        received_us: int,
        names: Sequence[str] = (),
    ) -> JobsLook:
        """``over``: the newest first, at most LISTED_MAX of them (RFC 8011 section 4.2.6.2). ``names`` in the order in
        which they were asked after.
        """
        ended = [one for job in over if (one := _row(job, names)) is not None]
        rows = {one.job: one for one in ended}
        rows |= {one.job: one for job in open_jobs if (one := _row(job, names)) is not None and one.job not in rows}
        # A list that is full may have left out what ended since the last look.
        whole = len(ended) < LISTED_MAX or min(one.job for one in ended) <= self.highest
        known, self.followed = self.followed, {one.job for one in rows.values() if one.state not in ENDED}
        before, self.highest = self.highest, max([self.highest, *rows])
        # What was over at the last look is known already, and what was so at the first one says nothing of when.
        told = [
            one
            for one in rows.values()
            if one.state not in ENDED or one.job in known or (self.looked and one.job > before)
        ]
        self.looked = True
        gone = tuple((1, job) for job in sorted(known) if job not in rows)
        return JobsLook("ipp", 0, sent_us, received_us, tuple(sorted(told, key=lambda one: one.job)), gone, whole)


def _row(job: Mapping[str, int], names: Sequence[str]) -> JobRow | None:
    """None for a job of another door whose number is not known (section 9.6)."""
    number = job.get(JOB_ID, 0)
    if not 0 < number <= JOB_MAX:
        return None
    counts = JobCounts(*(_count(job.get(name)) for name in (IMPRESSIONS, SHEETS, PAGES)))
    name = names[job[UUID]] if UUID in job else ""
    return JobRow(number, STATES.get(job.get(JOB_STATE, 0), "unknown"), counts, name=name)


def _count(value: int | None) -> int | None:
    """apple/cups#2427: a negative count is none."""
    return value if value is not None and 0 <= value <= COUNT_MAX else None
