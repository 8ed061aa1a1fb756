"""What a printer's own counts of its jobs leave open of each job's share of a shared count.

It holds as long as a job's count holds no paper that did not pass the meter. A meter counts at the pick or the mark
and a job where the sheet is stacked, so that a job's count is at most what the meter shows.
"""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.ledger import Interval
from pagereeve.domain.values.records import dataclass


@dataclass(frozen=True, slots=True)
class JobCount:
    """Impressions that a job counted between two cuts; 0 says that nothing is known. ``over``: it is its last word."""

    counted: int
    over: bool = False


def job_bounds(
    counted: int, jobs: Sequence[JobCount], slack: int | None = None, *, whole: bool = False
) -> list[Interval] | None:
    """Pages that surely are each job's, and may be at most; None where the jobs count more than the meter did.

    ``counted`` is what the meter moved by between the cuts, ``jobs`` began there. ``slack`` is what the meter may show
    more than such a job counts, where that is known of the printer (a banner, a blank back). ``whole``: these are all
    jobs that there were, and nothing else moved the meter.
    """
    rest = counted - sum(one.counted for one in jobs)
    if rest < 0:
        return None
    most = [one.counted + (rest if slack is None or not one.over else min(rest, slack)) for one in jobs]
    if not whole:
        return [Interval(one.counted, top) for one, top in zip(jobs, most, strict=True)]
    beyond = counted - sum(most)
    return [Interval(max(one.counted, beyond + top), top) for one, top in zip(jobs, most, strict=True)]
