"""The whole chain of evidence for a release, and what was known of it when."""

from __future__ import annotations

from dataclasses import dataclass

from pagereeve.ports.reads import Reads
from pagereeve.queries.late_notices import NOTHING_LATE, KnownWhen, what_was_known
from pagereeve.queries.release_evidence import Evidence, gather


@dataclass(frozen=True, slots=True)
class Explained:
    """``known`` is what was known of it when. ``names_left_out``: names of other people were there, and are not."""

    evidence: Evidence
    known: KnownWhen = NOTHING_LATE
    names_left_out: bool = False


async def explained(reads: Reads, release: str, source: str | None = None) -> tuple[Explained, ...]:
    """Each release of that name by itself, all read at one moment. Raises BadQuestion where there is none."""
    async with reads.snapshot() as held:
        return tuple([Explained(one, await what_was_known(held, one)) for one in await gather(held, release, source)])
