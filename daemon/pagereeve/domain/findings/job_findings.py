"""What a printer's own jobs show that no notice says, and where their counts and the meter's contradict."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence

from pagereeve.domain.brackets.jobs import JobHistory, impressions_of, is_print, stood_since_us
from pagereeve.domain.brackets.partition import Between, Broken, Cut
from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.facts.jobs import ENDED, PRINTING, JobCounted
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Finding, Stretch


def jobs_disagree(stretch: Stretch, windows: Sequence[Window]) -> Finding:
    """In a bracket the jobs count more than the meter did: what they say of it is set aside."""
    releases = [window.release for window in windows]
    anchor = ("jobs", *find.bracket_anchor(stretch.channel, releases))
    since_us = min(release.start_us for release in releases)
    what = shown.jobs_disagree(stretch)
    evidence = [shown.cuts(stretch), *map(shown.release, stretch.releases)]
    return find.make("witnesses-disagree", stretch.printer, anchor, since_us, what, evidence)


def unreleased_jobs(
    printer: str, pieces: Sequence[Between | Broken], jobs: JobHistory
) -> Iterator[tuple[int, Finding]]:
    """Print jobs that began and counted while no release was open, each with the instant at which it is settled."""
    for piece in pieces if jobs.said else ():
        if isinstance(piece, Between) and not piece.windows:
            for job in _begun_in(piece, jobs):
                anchor = tuple(map(str, job.key))
                since_us = piece.opening.to_us if job.began is None else job.began.until_us
                what, evidence = shown.job_without_release(job), [shown.job_told(job)]
                yield piece.closing.from_us, find.make("job-without-release", printer, anchor, since_us, what, evidence)


def _begun_in(gap: Between, jobs: JobHistory) -> list[JobCounted]:
    """The first word on each job that had printed by the gap's end, and had not begun when the meter last stood."""
    first: dict[object, JobCounted] = {}
    since_us = _rested_since_us(gap.opening)
    for said in jobs.between(gap.opening.to_us, gap.closing.from_us):
        known = said.state in PRINTING | ENDED and is_print(said) and impressions_of(said) > 0
        if known and said.began is not None and said.began.from_us >= since_us:
            first.setdefault(said.key, said)
    return list(first.values())


def _rested_since_us(opening: Cut) -> int:
    """When the readings began that showed the gap's first count. Where the last of them found the printer busy, and
    nothing counted yet, it rested at that count in those before: a job may have begun in between.
    """
    run, since_us = opening.run, stood_since_us(opening.run, opening.to_us)
    place = bisect_right(run.samples, opening.to_us, key=lambda one: one.plateau.first_sent_us) - 1
    if place < 1:
        return since_us
    before, here = run.samples[place - 1], run.samples[place]
    rested = before.plateau.sight.resting and not here.plateau.sight.resting and before.totals == here.totals
    return before.plateau.first_received_us if rested else since_us
