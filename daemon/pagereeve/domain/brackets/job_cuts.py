"""Inner cuts that a printer's jobs prove: the first releases' jobs are over, the meter rests, the next began later."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pagereeve.domain.brackets.inner_cuts import chosen_levels
from pagereeve.domain.brackets.inner_levels import BracketPart, InnerLevel, inner_levels
from pagereeve.domain.brackets.jobs import JobHistory, Linked, linked
from pagereeve.domain.brackets.partition import Cut
from pagereeve.domain.brackets.rests import PROOF_REST_US
from pagereeve.domain.facts.jobs import JobCounted


def split_by_jobs(channel: str, parts: Sequence[BracketPart], history: JobHistory) -> list[BracketPart]:
    """The parts, each that is shared split where its jobs prove an end."""
    return [piece for part in parts for piece in _split(channel, part, history)]


def _split(channel: str, part: BracketPart, history: JobHistory) -> list[BracketPart]:
    if len(part.windows) < 2 or not (jobs := history.inside(part)):
        return [part]
    links = linked(part, jobs)
    levels = inner_levels(channel, part, part.apart)
    pieces: list[BracketPart] = []
    rest, first = part, 0
    for until in range(1, len(part.windows)):
        for level in _ends(rest, until - first, links[first:], jobs, levels):
            before, rest = _cut(rest, level, until - first)
            first = until
            pieces += [before] if before.windows or before.opening.total != before.closing.total else []
    return [*pieces, rest]


def _cut(part: BracketPart, level: Cut, first: int) -> tuple[BracketPart, BracketPart]:
    proven = replace(part, inferred=True, by_job=True, bounds=None)
    before = replace(proven, closing=level, windows=part.windows[:first], expectations=part.expectations[:first])
    behind = replace(proven, opening=level, windows=part.windows[first:], expectations=part.expectations[first:])
    return before, behind


def _ends(
    part: BracketPart,
    first: int,
    links: Sequence[Linked | None],
    jobs: Sequence[JobCounted],
    levels: Sequence[InnerLevel],
) -> list[Cut]:
    """Levels behind the jobs of the first releases and before any other job began."""
    span = _idle_span(links[:first], links[first:], jobs)
    if span is None:
        return []
    done_us, next_us = span
    near = [
        inner.level
        for inner in levels
        if inner.readings > 1
        and inner.level.from_us >= part.opening.from_us
        and inner.idle_us(done_us, next_us) >= PROOF_REST_US
    ]
    windows, expectations = part.windows[:first], part.expectations[:first]
    so_far = replace(part, windows=windows, expectations=expectations)
    return [
        replace(level, from_us=max(level.from_us, done_us), to_us=min(level.to_us, next_us))
        for level in chosen_levels(so_far, near)
    ]


def _idle_span(
    before: Sequence[Linked | None], behind: Sequence[Linked | None], jobs: Sequence[JobCounted]
) -> tuple[int, int] | None:
    """From when until when no job is at work, these are over and those have not begun; None where that is not known.

    A job that is nobody's must be over or not begun as well.
    """
    if any(one is None for one in (*before, *behind)):
        return None
    ends = [one.job.ended for one in before if one is not None]
    begins = [one.job.began for one in behind if one is not None]
    if any(one is None for one in (*ends, *begins)) or not all(one.job.is_over for one in before if one is not None):
        return None
    done_us = max(one.until_us for one in ends if one is not None)
    next_us = min(one.from_us for one in begins if one is not None)
    at_work = any(
        (job.ended is None or job.ended.until_us > done_us) and (job.began is None or job.began.from_us < next_us)
        for job in jobs
    )
    return (done_us, next_us) if next_us - done_us >= PROOF_REST_US and not at_work else None
