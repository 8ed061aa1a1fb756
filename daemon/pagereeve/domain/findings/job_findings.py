"""What a printer's own jobs show that no notice says, and where their counts and the meter's contradict."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from pagereeve.domain.brackets.jobs import JobHistory, impressions_of, is_print, stood_since_us
from pagereeve.domain.brackets.partition import Between, Broken, Cut
from pagereeve.domain.brackets.runs import rested_before
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.facts.jobs import ENDED, PRINTING, JobCounted
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Finding, Stretch
from pagereeve.domain.values.instants import SECOND_US

LOOK_AFTER_US: Final = 10 * SECOND_US
"""A printer is asked for its jobs once its meter has been read: what it says of a gap's job comes after the reading
that ended the gap, and not later than this. Beyond it the count has rested, and what a job makes is of another gap.
"""


class Unreleased(NamedTuple):
    """A job's finding, the gap's end, and when it was settled: the look that told of it may come after that end."""

    ended_us: int
    settled_us: int
    finding: Finding


def jobs_disagree(stretch: Stretch, windows: Sequence[Window]) -> Finding:
    """In a bracket the jobs count more than the meter did: what they say of it is set aside."""
    releases = [window.release for window in windows]
    anchor = ("jobs", *find.bracket_anchor(stretch.channel, releases))
    since_us = min(release.start_us for release in releases)
    what = shown.jobs_disagree(stretch)
    evidence = [shown.cuts(stretch), *map(shown.release, stretch.releases)]
    return find.make("witnesses-disagree", stretch.printer, anchor, since_us, what, evidence)


def unreleased_jobs(
    printer: str, pieces: Sequence[Between | Broken], windows: Sequence[Window], jobs: JobHistory
) -> Iterator[Unreleased]:
    """Print jobs that began and counted while no release was open."""
    for piece in pieces if jobs.said else ():
        if isinstance(piece, Between) and not piece.windows:
            for job in _begun_in(piece, windows, jobs):
                anchor = tuple(map(str, job.key))
                since_us = piece.opening.to_us if job.began is None else job.began.until_us
                what, evidence = shown.job_without_release(job), [shown.job_told(job)]
                ended_us = piece.closing.from_us
                told = find.make("job-without-release", printer, anchor, since_us, what, evidence)
                yield Unreleased(ended_us, max(ended_us, job.received_us), told)


def _begun_in(gap: Between, windows: Sequence[Window], jobs: JobHistory) -> list[JobCounted]:
    """The first word on each job that had printed by the gap's end, as far as looks soon after it show, and had not
    begun when the meter last stood. Where a release had started by then, the job may be its.
    """
    first: dict[object, JobCounted] = {}
    since_us, ended_us = _rested_since_us(gap.opening), gap.closing.from_us
    starts_us = [one.release.noticed_us for one in windows if one.open_until_us is None or one.open_until_us > ended_us]
    started_us = min(starts_us, default=None)
    for said in jobs.between(gap.opening.to_us, ended_us + LOOK_AFTER_US):
        known = said.state in PRINTING | ENDED and is_print(said) and impressions_of(said) > 0
        sole = said.received_us <= ended_us or started_us is None or said.received_us < started_us
        if known and sole and said.began is not None and since_us <= said.began.from_us < ended_us:
            first.setdefault(said.key, said)
    return list(first.values())


def _rested_since_us(opening: Cut) -> int:
    """When the readings began that showed the gap's first count. Where the last of them found the printer busy, and
    nothing counted yet, it rested at that count in those before: a job may have begun in between.
    """
    run, since_us = opening.run, stood_since_us(opening.run, opening.to_us)
    place = bisect_right(run.samples, opening.to_us, key=lambda one: one.plateau.first_sent_us) - 1
    before = rested_before(run, place)
    return since_us if before is None else before.plateau.first_received_us
