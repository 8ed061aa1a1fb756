"""The printer's own jobs inside a bracket, and which release each of them is.

A release is linked to a job by its number, as the only one there is, or by their order; where more than one link is
possible there is none. Names play no part: a printer's are in no fact.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal

from pagereeve.domain.brackets.inner_cuts import BracketPart
from pagereeve.domain.brackets.partition import Cut
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.facts.jobs import JobCounted, JobDoor
from pagereeve.domain.facts.reading import Unit

Link = Literal["job-by-number", "job-sole", "job-by-order"]
"""How a release is known to be a printer's job."""

# jmJobServiceTypes (RFC 2707 section 3.3.8): the bit of a print job.
PRINT: Final = 4
DOORS: Final[tuple[JobDoor, JobDoor]] = ("snmp", "ipp")
JOB_CHANNELS: Final = frozenset({"total", "prints"})
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
    """From when on the meter is known to have stood where the opening cut has it.

    Behind the start of the bracket's first release the cut itself says so. Before that, the reading that was under
    way then: not how far back the count is known besides, which depends on where a projection begins.
    """
    noticed_us = min((window.release.noticed_us for window in windows), default=opening.from_us)
    if opening.from_us >= noticed_us:
        return opening.from_us
    samples = opening.run.samples
    place = bisect_left(samples, noticed_us, key=lambda one: one.plateau.first_received_us)
    return samples[place - 1].plateau.first_received_us if place else noticed_us


def impressions_of(job: JobCounted) -> int:
    """0 where nothing is known of it."""
    return job.counts.impressions or 0


def is_print(job: JobCounted) -> bool:
    return job.service is None or bool(job.service & PRINT)


def linked(part: BracketPart, jobs: Sequence[JobCounted]) -> list[Linked | None]:
    """For each release of the part its job, where there is one that it surely is."""
    links = _by_number(part, jobs)
    taken = {one.place for one in links if one is not None}
    free = [place for place, job in enumerate(jobs) if place not in taken and is_print(job)]
    open_places = [place for place, one in enumerate(links) if one is None]
    if not open_places or len(free) != len(open_places):
        return links
    pairs = list(zip(open_places, free, strict=True))
    channels = {jobs[place].channel for place in free}
    if len(pairs) > 1 and not _in_order([part.windows[place] for place in open_places], jobs, channels):
        return links
    if not all(_fits(part, place, jobs[job]) for place, job in pairs):
        return links
    link: Link = "job-sole" if len(pairs) == 1 else "job-by-order"
    for place, job in pairs:
        links[place] = Linked(job, jobs[job], link)
    return links


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
