"""One printer's job table between looks: its set, the highest number seen, and the jobs that are followed.

Every accepted job gets the next number, and a row lasts for a while after its end (RFC 2707 section 3.2): so the rows
of known numbers and of the next one are all that a look needs, and nothing is walked.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.domain.facts.jobs import ENDED, JOB_MAX, JobCounts
from pagereeve.meters.job_states import STATES
from pagereeve.meters.jobs.objects import (
    ACTIVE,
    ATTRIBUTES,
    CHANNEL,
    COLOUR,
    NEWEST,
    PAGES,
    SERVICE,
    SHEETS,
    attribute,
    count,
    general,
    of_id,
    row,
)
from pagereeve.meters.snmp.ber import Varbind, number_or_none
from pagereeve.ports.jobs import JobRow

Values = Mapping[bytes, Varbind]

# Beside the meter's own values in one request: three varbinds a job.
FOLLOWED_MAX: Final = 3
NEW_AT_ONCE_MAX: Final = 8
REMEMBERED: Final = 256
LOST_MAX: Final = 2
"""So many answers in a row that get lost with the jobs are the path's way; one is a lost datagram."""
APART_READS: Final = 200
"""After so many reads of the meter alone both are asked for together once more: a path may have become better."""


@dataclass(slots=True)
class JobTable:
    """The table of ``job_set``. ``highest`` is None until a job was seen; ``followed`` are not over yet.

    ``ids`` are the numbers of jobs whose submission ids were asked after and found. ``lost`` are answers in a row that
    should have held the jobs beside the meter's own values, and did not; ``alone`` the reads since without them.
    """

    job_set: int
    highest: int | None = None
    epoch: int = 1
    lost: int = 0
    alone: int = 0
    followed: list[int] = field(default_factory=list)
    ids: dict[str, int] = field(default_factory=dict)
    _seen: deque[int] = field(default_factory=lambda: deque(maxlen=REMEMBERED))

    def wanted(self) -> list[int]:
        """The followed jobs and the next one."""
        following = [] if self.highest is None or self.highest == JOB_MAX else [self.highest + 1]
        return self.followed[:FOLLOWED_MAX] + following

    @property
    def apart(self) -> bool:
        """The agent or the path does not put up with more values in the meter's own request."""
        return self.lost >= LOST_MAX

    def beside(self) -> tuple[bytes, ...]:
        """``names``, where they may be asked for together with the meter's own values. For each of its reads."""
        if self.apart:
            self.alone += 1
            if self.alone < APART_READS:
                return ()
            self.lost, self.alone = LOST_MAX - 1, 0
        return self.names()

    def names(self) -> tuple[bytes, ...]:
        """What a look asks for: how many are active, the newest, and the rows of ``wanted``."""
        return (general(ACTIVE, self.job_set), general(NEWEST, self.job_set), *self.row_names(self.wanted()))

    def row_names(self, jobs: Sequence[int]) -> tuple[bytes, ...]:
        return tuple(name for job in jobs for name in row(self.job_set, job))

    def newest(self, values: Values) -> int | None:
        """The newest *active* job: 0 where none is, below the highest where that one is over; None: not said."""
        value = number_or_none(values.get(general(NEWEST, self.job_set)))
        return value if value is None or 0 <= value <= JOB_MAX else 0

    def take(self, values: Values, asked: Sequence[int]) -> tuple[list[JobRow], list[int]]:
        """Of jobs that were asked for the rows, and those that were followed and are there no more."""
        rows = [one for job in asked if (one := self._row(values, job)) is not None]
        there = {one.job for one in rows}
        gone = [job for job in self.followed if job in asked and job not in there]
        self.followed = [job for job in self.followed if job not in gone]
        for one in rows:
            self._note(one)
        return rows, gone

    def unasked(self, newest: int, *, more: bool) -> tuple[list[int], bool]:
        """Numbers that came since, and whether these are all; ``more``: the next one was there, and one behind it may
        be, too.
        """
        if newest and self.highest is not None and newest < self.highest and newest not in self._seen:
            # Numbers begin anew (RFC 2707 section 3.2): what was followed is of another epoch.
            self.epoch, self.highest, self.followed = self.epoch + 1, newest - 1, []
            self.ids.clear()
            self._seen.clear()
        highest = newest - 1 if self.highest is None else self.highest
        if newest and newest > highest:
            first = max(highest + 1, newest - NEW_AT_ONCE_MAX + 1)
            return list(range(first, newest + 1)), first == highest + 1
        return ([highest + 1] if more and 0 < highest < JOB_MAX else []), True

    def _row(self, values: Values, job: int) -> JobRow | None:
        state, reasons, impressions = (values.get(name) for name in row(self.job_set, job))
        shown = number_or_none(state)
        if shown is None:
            return None
        counts = JobCounts(impressions=count(impressions))
        return JobRow(job, STATES.get(shown, "unknown"), counts, max(0, number_or_none(reasons) or 0), epoch=self.epoch)

    def _note(self, one: JobRow) -> None:
        self.highest = one.job if self.highest is None else max(self.highest, one.job)
        if one.job not in self._seen:
            self._seen.append(one.job)
        if one.state in ENDED:
            self.followed = [job for job in self.followed if job != one.job]
        elif one.job not in self.followed:
            self.followed.append(one.job)

    def id_names(self, ids: Sequence[str]) -> tuple[bytes, ...]:
        """What is asked after of these submission ids; those that are known are known."""
        self.ids = {one: job for one, job in self.ids.items() if one in ids}
        return tuple(name for one in ids if one not in self.ids for name in of_id(one))

    def take_ids(self, values: Values, ids: Sequence[str]) -> None:
        """An id of another job set is not of this table's jobs."""
        for one in ids:
            job_set, job = (number_or_none(values.get(name)) for name in of_id(one))
            if job_set == self.job_set and job is not None and 0 < job <= JOB_MAX:
                self.ids[one] = job

    def named(self, rows: Sequence[JobRow]) -> list[JobRow]:
        """The rows, with the id that leads to each; several ids of one job name none."""
        found: dict[int, list[str]] = {}
        for one, job in self.ids.items():
            found.setdefault(job, []).append(one)
        sure = {job: ids[0] for job, ids in found.items() if len(ids) == 1}
        return [replace(row, name=sure[row.job]) if row.job in sure else row for row in rows]

    def last_names(self, rows: Sequence[JobRow]) -> tuple[bytes, ...]:
        """The attributes of jobs that are over."""
        over = [one.job for one in rows if one.state in ENDED]
        return tuple(attribute(self.job_set, job, kind) for job in over for kind in ATTRIBUTES)

    def with_attributes(self, one: JobRow, values: Values) -> JobRow:
        """The row with what its attributes add."""

        def shown(kind: int) -> int | None:
            return count(values.get(attribute(self.job_set, one.job, kind)))

        if one.state not in ENDED:
            return one
        counts = JobCounts(one.counts.impressions, shown(SHEETS), shown(PAGES), shown(COLOUR))
        return JobRow(one.job, one.state, counts, one.reasons, shown(SERVICE), shown(CHANNEL), one.epoch)
