"""What open releases call their jobs, and which release calls one so."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.facts.jobs import NamedBy


def named_jobs(starts: Sequence[ReleaseStarted]) -> Mapping[str, NamedBy]:
    """By the job's name; one that several open releases have leads to none of them."""
    times = Counter(one.job for one in starts)
    return {one.job: NamedBy(one.origin.source, one.release) for one in starts if times[one.job] == 1}
