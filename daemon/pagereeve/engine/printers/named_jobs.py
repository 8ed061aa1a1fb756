"""What open releases call their jobs, and which release calls one so."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from pagereeve.domain.facts.jobs import NamedBy
from pagereeve.domain.projection.projection import Projected


def named_jobs(view: Projected | None) -> Mapping[str, NamedBy]:
    """By the job's name; one that several open releases have leads to none of them."""
    open_ones = [] if view is None else [one.release for one in view.windows if one.closes_us is None]
    times = Counter(one.started.job for one in open_ones)
    return {
        one.started.job: NamedBy(one.key.source, one.key.release) for one in open_ones if times[one.started.job] == 1
    }
