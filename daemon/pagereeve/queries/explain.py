"""The whole chain of evidence for a release, and what was known of it when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.ports.reads import Reads
from pagereeve.queries.late_notices import NOTHING_LATE, KnownWhen, what_was_known
from pagereeve.queries.page_decisions import ruled
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
        decided = await ruled(held)
        found = []
        for one in await gather(held, release, source):
            known = await what_was_known(held, one)
            one.decided = decisions_on(one, decided)
            found.append(Explained(one, known))
        return tuple(found)


def decisions_on(evidence: Evidence, decided: Sequence[Ruling]) -> list[Ruling]:
    """Those about pages of this release, or of its bracket that it names."""
    place = (evidence.key, evidence.printer, evidence.started_us)
    return [
        one
        for one in decided
        if one.posting is not None
        and one.posting.charge is not None
        and (one.posting.charge.release, one.posting.charge.printer, one.posting.charge.started_us) == place
    ]
