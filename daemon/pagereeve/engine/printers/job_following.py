"""From looks at a printer's jobs to facts: one whenever a job's state or a count is other than before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.domain.facts.jobs import (
    COUNT_MAX,
    ENDED,
    NOT_COUNTED,
    PRINTING,
    JobCounted,
    JobCounts,
    JobDoor,
    NamedBy,
    Within,
)
from pagereeve.ports.jobs import JobRow, JobsLook

# A printer holds few jobs at a time; beyond so many the oldest are forgotten.
FOLLOWED_MAX: Final = 128

NOBODY: Final[Mapping[str, NamedBy]] = {}

Key = tuple[JobDoor, int, int, int]


@dataclass(slots=True)
class _Followed:
    """The last fact of a job, when it was last looked at, and what it had made before it was started again."""

    said: JobCounted
    looked_us: int
    before: JobCounts = NOT_COUNTED
    shown: JobCounts = NOT_COUNTED


@dataclass(slots=True)
class JobFollower:
    """``_looked`` is when each door was last looked through, in whole: what is new since then was not there."""

    printer: str
    _jobs: dict[Key, _Followed] = field(default_factory=dict)
    _looked: dict[tuple[JobDoor, int], int] = field(default_factory=dict)

    def take(self, look: JobsLook, named: Mapping[str, NamedBy] = NOBODY) -> list[JobCounted]:
        """Facts that the look is worth; ``named`` says which release each name is of."""
        said = [one for row in look.rows if (one := self._of_row(look, row, named.get(row.name))) is not None]
        said += [one for epoch, job in look.gone if (one := self._of_gone(look, epoch, job)) is not None]
        if look.whole:
            self._looked[look.door, look.set] = look.sent_us
        for key in list(self._jobs)[: max(0, len(self._jobs) - FOLLOWED_MAX)]:
            del self._jobs[key]
        return said

    def _of_row(self, look: JobsLook, row: JobRow, named_by: NamedBy | None) -> JobCounted | None:
        key = (look.door, look.set, row.epoch, row.job)
        known = self._jobs.get(key)
        since_us = self._looked.get((look.door, look.set)) if known is None else known.looked_us
        counts, before = _counts(known, row.counts)
        said = JobCounted(
            *(self.printer, look.door, row.job, look.sent_us, look.received_us, row.state, look.set, row.epoch),
            *(row.reasons, counts, row.service, row.channel),
        )
        last = None if known is None else known.said
        named_by = named_by or (None if last is None else last.named_by)
        said = replace(said, named_by=named_by, began=_began(last, said, since_us), ended=_ended(last, said, since_us))
        self._jobs[key] = _Followed(said, look.sent_us, before, row.counts)
        if last is not None and _worth(last) == _worth(said):
            self._jobs[key].said = last
            return None
        return said

    def _of_gone(self, look: JobsLook, epoch: int, job: int) -> JobCounted | None:
        known = self._jobs.pop((look.door, look.set, epoch, job), None)
        if known is None or known.said.is_over:
            return None
        return replace(known.said, sent_us=look.sent_us, received_us=look.received_us, state="gone")


def _worth(said: JobCounted) -> tuple[object, ...]:
    """What a fact is written for."""
    return said.state, said.counts, said.named_by


def _counts(known: _Followed | None, shown: JobCounts) -> tuple[JobCounts, JobCounts]:
    """All that the job has made, and what of it came before it was started again (RFC 8011 section 4.3.7.1)."""
    if known is None:
        return shown, NOT_COUNTED
    before = known.before
    if any(_fell(was, now) for was, now in _pairs(known.shown, shown)):
        before = JobCounts(*(_sum(was, now) for was, now in _pairs(known.before, known.shown)))
    return JobCounts(*(_sum(was, now) for was, now in _pairs(before, shown))), before


def _pairs(one: JobCounts, other: JobCounts) -> Iterator[tuple[int | None, int | None]]:
    yield one.impressions, other.impressions
    yield one.sheets, other.sheets
    yield one.pages, other.pages
    yield one.colour, other.colour


def _fell(was: int | None, now: int | None) -> bool:
    return was is not None and now is not None and now < was


def _sum(one: int | None, other: int | None) -> int | None:
    return min(COUNT_MAX, (one or 0) + (other or 0)) if one is not None or other is not None else None


def _began(last: JobCounted | None, said: JobCounted, since_us: int | None) -> Within | None:
    """Between the last look at which it did not print and the first at which it did, or had."""
    if last is not None and (last.began is not None or last.state in PRINTING | ENDED):
        return last.began
    made = bool(said.counts.impressions or said.counts.sheets)
    if since_us is None or not (made or said.state in PRINTING or said.state == "completed"):
        return None
    return Within(since_us, max(since_us, said.received_us))


def _ended(last: JobCounted | None, said: JobCounted, since_us: int | None) -> Within | None:
    if not said.is_over:
        return None
    if last is not None and last.is_over:
        return last.ended
    return None if since_us is None else Within(since_us, max(since_us, said.received_us))
