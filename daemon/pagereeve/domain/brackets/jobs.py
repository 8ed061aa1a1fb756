"""The printer's own jobs inside a bracket, and which release each of them is.

A release is linked to a job by its id or number, as the only one there is, or by their order and counts; where more
than one link is possible there is none. Names play no part: a printer's are in no fact.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import field
from itertools import combinations, pairwise
from typing import Final, Literal

from pagereeve.domain.brackets.inner_levels import BracketPart
from pagereeve.domain.brackets.partition import Cut
from pagereeve.domain.brackets.prints import PRINTS, PRINTS_ALONE, TOTAL
from pagereeve.domain.brackets.runs import Run
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.facts.jobs import JobCounted, JobDoor, NamedBy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.values.records import dataclass

Link = Literal["job-by-id", "job-by-number", "job-sole", "job-by-order"]
"""How a release is known to be a printer's job."""

# jmJobServiceTypes (RFC 2707 section 3.3.8): the bit of a print job.
PRINT: Final = 4
# Beyond so many releases or jobs, or so many without the other, no order is looked for.
ALIGNED_MAX: Final = 12
LEFT_OUT_MAX: Final = 2
DOORS: Final[tuple[JobDoor, JobDoor]] = ("snmp", "ipp")
JOB_CHANNELS: Final = frozenset({TOTAL, PRINTS, PRINTS_ALONE})
"""Channels of the meter that jobs' impressions can be compared with."""


@dataclass(frozen=True, slots=True)
class Linked:
    """A release's job, at its ``place`` in the bracket's jobs."""

    place: int
    job: JobCounted
    link: Link


@dataclass(slots=True)
class JobHistory:
    """All that a printer said of its jobs, in order of when it was asked."""

    said: list[JobCounted] = field(default_factory=list)

    @classmethod
    def of(cls, said: Iterable[JobCounted]) -> JobHistory:
        return cls(sorted(said, key=_order))

    def between(self, after_us: int, until_us: int) -> Sequence[JobCounted]:
        """Looks that began after an instant, and not later than another."""
        first, last = (bisect_right(self.said, at_us, key=_sent_us) for at_us in (after_us, until_us))
        return self.said[first:last]

    def inside(self, part: BracketPart) -> list[JobCounted]:
        """The last word before the closing cut on each job that printed nothing before the opening one, by number.

        Of two protocols that tell of the same jobs the one that tells of more.
        """
        since_us = _unmoved_since_us(part.opening, part.windows)
        latest: dict[tuple[JobDoor, int, int, int], JobCounted] = {}
        for said in self.between(part.opening.to_us, part.closing.from_us):
            if said.received_us <= part.closing.from_us and said.state != "unknown":
                latest[said.key] = said
        begun = [one for one in latest.values() if one.began is not None and one.began.from_us >= since_us]
        first, second = ([one for one in begun if one.door == door] for door in DOORS)
        return sorted(second if len(second) > len(first) else first, key=_number)


def _order(said: JobCounted) -> tuple[int, int, str, tuple[JobDoor, int, int, int], str]:
    return (said.sent_us, said.received_us, said.state, said.key, repr(said))


def _sent_us(said: JobCounted) -> int:
    return said.sent_us


def _number(said: JobCounted) -> tuple[int, int, int]:
    return (said.epoch, said.set, said.job)


def _unmoved_since_us(opening: Cut, windows: Sequence[Window]) -> int:
    """From when on the meter is known to have stood where the opening cut has it."""
    noticed_us = min((window.release.noticed_us for window in windows), default=opening.from_us)
    return opening.from_us if opening.from_us >= noticed_us else stood_since_us(opening.run, noticed_us)


def stood_since_us(run: Run, at_us: int) -> int:
    """When the readings began that showed one count beyond an instant; the instant itself where none did.

    How far back the count is known besides depends on where a projection begins, and this must not.
    """
    place = bisect_left(run.samples, at_us, key=lambda one: one.plateau.first_received_us)
    plateau = run.samples[place - 1].plateau if place else None
    return at_us if plateau is None or plateau.last_sent_us < at_us else plateau.first_received_us


def impressions_of(job: JobCounted) -> int:
    """0 where nothing is known of it."""
    return job.counts.impressions or 0


def is_print(job: JobCounted) -> bool:
    return job.service is None or bool(job.service & PRINT)


def linked(part: BracketPart, jobs: Sequence[JobCounted]) -> list[Linked | None]:
    """For each release of the part its job, where there is one that it surely is."""
    links = _by_name(part, jobs)
    taken = {one.place for one in links if one is not None}
    free = [place for place, job in enumerate(jobs) if place not in taken and is_print(job)]
    waiting = [place for place, one in enumerate(links) if one is None]
    pairs = _aligned(part, waiting, jobs, free)
    sole = len(waiting) == len(free) == 1
    for place, job in pairs:
        links[place] = Linked(job, jobs[job], "job-sole" if sole else "job-by-order")
    return links


def _aligned(
    part: BracketPart, waiting: Sequence[int], jobs: Sequence[JobCounted], free: Sequence[int]
) -> list[tuple[int, int]]:
    """Releases and their jobs, by places, in the only order in which their counts fit; none where there are more.

    As many jobs as releases: then one may have made what its ticket does not say, and is linked to none. Fewer or
    more: a release without a job, or a job without a release, and all others fit.
    """
    windows = [part.windows[place] for place in waiting]
    beyond = abs(len(waiting) - len(free))
    if not waiting or not free or max(len(waiting), len(free)) > ALIGNED_MAX or beyond > LEFT_OUT_MAX:
        return []
    if len(waiting) > 1 and not _in_order(windows, jobs, {jobs[place].channel for place in free}):
        return []
    if not beyond:
        pairs = list(zip(waiting, free, strict=True))
        fit = [(place, job) for place, job in pairs if _fits(part, place, jobs[job])]
        enough = len(fit) == len(pairs) or (len(pairs) > 1 and len(fit) == len(pairs) - 1)
        return fit if enough else []
    found = [fit for fit in _ways(waiting, free) if all(_fits(part, place, jobs[job]) for place, job in fit)]
    return found[0] if len(found) == 1 else []


def _ways(waiting: Sequence[int], free: Sequence[int]) -> Iterator[list[tuple[int, int]]]:
    """All pairs in order that leave out as few as there are too many."""
    if len(waiting) > len(free):
        return (list(zip(some, free, strict=True)) for some in combinations(waiting, len(free)))
    return (list(zip(waiting, some, strict=True)) for some in combinations(free, len(waiting)))


def _by_name(part: BracketPart, jobs: Sequence[JobCounted]) -> list[Linked | None]:
    """By what the notice names: the job's own id goes before its number, which may begin anew."""
    links = _by_number(part, jobs)
    for place, window in enumerate(part.windows):
        named = NamedBy(window.release.key.source, window.release.key.release)
        mine = [at for at, job in enumerate(jobs) if job.named_by == named and _is_after(job, window)]
        if len(mine) == 1:
            links[place] = Linked(mine[0], jobs[mine[0]], "job-by-id")
    ids = {one.place for one in links if one is not None and one.link == "job-by-id"}
    return [None if one is not None and one.link != "job-by-id" and one.place in ids else one for one in links]


def _by_number(part: BracketPart, jobs: Sequence[JobCounted]) -> list[Linked | None]:
    asked = [window.release.started.printer_job for window in part.windows]
    links: list[Linked | None] = []
    for window, number in zip(part.windows, asked, strict=True):
        places = [place for place, job in enumerate(jobs) if job.job == number and _is_after(job, window)]
        sure = len(places) == 1 and asked.count(number) == 1
        links.append(Linked(places[0], jobs[places[0]], "job-by-number") if sure else None)
    return links


def _is_after(job: JobCounted, window: Window) -> bool:
    """The job may have begun once the release had started."""
    return job.began is not None and job.began.until_us >= window.release.start_us


def _in_order(windows: Sequence[Window], jobs: Sequence[JobCounted], channels: Collection[int | None]) -> bool:
    """One sender that sends one job after the other, by one way in, and numbers without a gap."""
    releases = [window.release for window in windows]
    if len({release.started.origin.source for release in releases}) > 1 or len(channels) > 1:
        return False
    if any(one.end_us is None or one.end_us > after.start_us for one, after in pairwise(releases)):
        return False
    # Numbers begin anew in another epoch: what came in between is not known then.
    return all(after.job == one.job + 1 and _number(one)[:2] == _number(after)[:2] for one, after in pairwise(jobs))


def _fits(part: BracketPart, place: int, job: JobCounted) -> bool:
    """What the job counted is what the release's ticket says; one that was given up may have made less."""
    window, expected = part.windows[place], part.expectations[place].count
    if not _is_after(job, window) or part.closing.count.unit is not Unit.IMPRESSIONS:
        return False
    counted = impressions_of(job)
    if job.state == "completed" and counted:
        return expected.holds(counted)
    return expected.most is None or counted <= expected.most
