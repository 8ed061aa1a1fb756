"""What the ledger books of each surplus, beside what its finding says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from pagereeve.domain.findings.surplus import booked_of, stretch_of
from pagereeve.domain.ledger import Finding
from pagereeve.ports.reads import Reads

# Of so many findings the posting is looked up, a statement each.
LOOKED_UP_MAX: Final = 200


async def uncharged_of(reads: Reads, findings: Sequence[Finding]) -> Mapping[str, int]:
    """By finding. One that is not there has no posting, or is behind LOOKED_UP_MAX."""
    found: dict[str, int] = {}
    asked = [(one, stretch) for one in findings if (stretch := stretch_of(one)) is not None]
    for finding, (*_, closes_us) in asked[:LOOKED_UP_MAX]:
        if isinstance(closes_us, int):
            found |= booked_of([finding], [one async for one in reads.postings(closes_us, closes_us + 1)])
    return found
