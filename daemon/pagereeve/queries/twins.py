"""Facts of a timeline beside what other journals heard of the same events: one of each counts, wherever it lies."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.union import counting_at, identities
from pagereeve.ports.origins import OriginReads


async def counting_facts(reads: OriginReads, printer: str, facts: Sequence[Fact]) -> Sequence[Fact]:
    """Those of the printer's that count, of all journals' facts taken as one set."""
    sites = {one.site for one in await reads.origins()}
    if not sites:
        return facts
    return counting_at(printer, facts, await reads.twins(identities(facts)), sites)
