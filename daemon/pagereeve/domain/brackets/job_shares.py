"""What a printer's own counts of its jobs say of a shared bracket's releases: who can have had what of the count."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from pagereeve.domain.brackets.allocation import Movement, Share, provable, share_out
from pagereeve.domain.brackets.inner_levels import BracketPart
from pagereeve.domain.brackets.job_bounds import JobCount, job_bounds
from pagereeve.domain.brackets.jobs import JOB_CHANNELS, JobHistory, Linked, impressions_of, is_print, linked
from pagereeve.domain.facts.jobs import JobState
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Interval, Verdict
from pagereeve.domain.values.records import dataclass

NOT_BOUND = Interval(0, None)
GIVEN_UP: Final[dict[JobState, str]] = {"aborted": "job-aborted", "cancelled": "job-cancelled"}
BEYOND_ITS_JOB: Final = "beyond-its-job"


@dataclass(frozen=True, slots=True)
class Told:
    """For each release of a bracket the pages that are its own by the word of its job, or without one of the others'.

    ``disagrees``: the jobs count more than the meter did, so that nothing follows from them.
    """

    bounds: tuple[Interval, ...]
    links: tuple[Linked | None, ...]
    disagrees: bool = False

    @property
    def binds(self) -> bool:
        """It says of one release at least more than the meter does."""
        return not self.disagrees and any(one is not None for one in self.links)

    def refused(self) -> Told:
        """It contradicts the meter: nothing follows from it."""
        return replace(self, bounds=tuple(NOT_BOUND for _ in self.bounds), disagrees=True)

    def sure(self, counted: int, expected: Sequence[Interval], movements: Sequence[Movement]) -> list[int] | None:
        """Pages that surely are each release's; None where the word of its job and what the meter showed contradict.

        Of a job that is over they are what it counted itself, or what moved while it alone was open: what the others
        can't have had may be somebody's copies. Of the others that is proven as it is without jobs.
        """
        alone = [0] * len(expected)
        for movement in movements:
            if len(movement.movers) == 1:
                alone[movement.movers[0]] += movement.pages
        free = provable(counted, self.within(expected), movements)
        over = [link is not None and link.job.is_over for link in self.links]
        pairs = zip(over, alone, free, strict=True)
        known = [moved if is_over else left for is_over, moved, left in pairs]
        sure = [max(pages, one.least) for pages, one in zip(known, self.bounds, strict=True)]
        beyond = any(one.most is not None and pages > one.most for pages, one in zip(sure, self.bounds, strict=True))
        return None if beyond or sum(sure) > counted else sure

    def within(self, expected: Sequence[Interval]) -> list[Interval]:
        """What each release should cost, as far as its job allows."""
        return [_within(one, bound) for one, bound in zip(expected, self.bounds, strict=True)]


def told_by_jobs(channel: str, part: BracketPart, counted: int, history: JobHistory) -> Told | None:
    """None where the printer said nothing of jobs that the channel can be compared with.

    ``counted`` is what may be the releases': the part's count without what was noted as somebody else's work. A job of
    none of them may be that work, so that it bounds the whole count only. Where the releases' own jobs made more than
    the notes leave, nothing follows from them, and the meter is not contradicted.
    """
    if channel not in JOB_CHANNELS or part.closing.count.unit is not Unit.IMPRESSIONS or not history.said:
        return None
    jobs = history.inside(part)
    if not any(impressions_of(job) for job in jobs):
        return None
    links = tuple(linked(part, jobs))
    # What other functions made is in the count no more, where the meter tells them apart.
    known = [JobCount(impressions_of(job) if is_print(job) or part.apart is None else 0, job.is_over) for job in jobs]
    bounds = job_bounds(part.counted, known)
    if bounds is None:
        return Told(tuple(NOT_BOUND for _ in links), links, disagrees=True)
    if counted < part.counted:
        linked_to = {one.place for one in links if one is not None}
        known = [one if place in linked_to else replace(one, counted=0) for place, one in enumerate(known)]
        noted = job_bounds(counted, known)
        if noted is None:
            return None
        bounds = [
            Interval(one.least, min(one.most or 0, other.most or 0)) for one, other in zip(bounds, noted, strict=True)
        ]
    # Whatever a release without a job printed: the pages of the others' jobs are theirs.
    left = Interval(0, counted - sum(known[one.place].counted for one in links if one is not None))
    return Told(tuple(left if one is None else bounds[one.place] for one in links), links)


def told_of_one(
    channel: str, part: BracketPart, counted: int, verdict: Verdict | None, history: JobHistory
) -> tuple[str, ...]:
    """Why a bracket that is one release's own is off, as far as its job says so: the printer gave it up, or it made no
    more than was asked for, and the rest came otherwise (by hand, or as a banner). That changes no figure.
    """
    off = verdict in {Verdict.SURPLUS, Verdict.SHORTFALL}
    if not off or channel not in JOB_CHANNELS or part.closing.count.unit is not Unit.IMPRESSIONS or not history.said:
        return ()
    (one,) = linked(part, history.inside(part))
    if one is None:
        return ()
    made = impressions_of(one.job)
    if one.job.state in GIVEN_UP:
        return (one.link, GIVEN_UP[one.job.state])
    beyond = verdict is Verdict.SURPLUS and one.job.is_over and 0 < made < counted
    return (one.link, BEYOND_ITS_JOB) if beyond and part.expectations[0].count.holds(made) else ()


def shared_by_jobs(
    counted: int, expected: Sequence[Interval], movements: Sequence[Movement], sure: Sequence[int], told: Told
) -> tuple[list[int], Share]:
    """Each release's part of ``counted``: what is ``sure``, then as its ticket says within what its job leaves."""
    shares, _ = share_out(counted, told.within(expected), movements, sure)
    return shares, "share-by-jobs"


def _within(expected: Interval, bound: Interval) -> Interval:
    """The expectation, as far as the bound allows; where they do not meet, the end of the bound that is nearer."""
    least = expected.least if bound.most is None else min(expected.least, bound.most)
    most = bound.most if expected.most is None else expected.most
    if most is not None and bound.most is not None:
        most = min(most, bound.most)
    return Interval(max(least, bound.least), None if most is None else max(most, bound.least))


def verdicts_of(told: Told, expected: Sequence[Interval], verdict: Verdict) -> list[Verdict]:
    """What is said of each release of a bracket that is off: the bracket's verdict, where its job does not say better.

    Where a shortfall is proven to be one release's, another one whose job made all that was asked for is out of it.
    """
    if verdict not in {Verdict.SURPLUS, Verdict.SHORTFALL}:
        return [verdict] * len(expected)
    pairs = list(zip(told.bounds, expected, strict=True))
    found = [_proven(bound, one) for bound, one in pairs]
    if verdict is Verdict.SHORTFALL and Verdict.SHORTFALL in found:
        found = [
            Verdict.AGREES if one is None and bound.least >= wanted.least > 0 else one
            for one, (bound, wanted) in zip(found, pairs, strict=True)
        ]
    return [one or verdict for one in found]


def _proven(bound: Interval, expected: Interval) -> Verdict | None:
    if expected.most is not None and bound.least > expected.most:
        return Verdict.SURPLUS
    if bound.most is None:
        return None
    if bound.most < expected.least:
        return Verdict.SHORTFALL
    within = bound.least >= expected.least and (expected.most is None or bound.most <= expected.most)
    return Verdict.AGREES if within else None
