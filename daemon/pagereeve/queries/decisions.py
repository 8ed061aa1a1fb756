"""What the rows of a finding say of decisions on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.booked import booked_as
from pagereeve.domain.ledger import EvidenceKind, ReleaseKey
from pagereeve.ports.reads import Reads

# Of so many booked releases it is looked whether they have rows at their new printer.
BOOKED_MAX: Final = 20


@dataclass(frozen=True, slots=True)
class DecisionsShown:
    """``count`` is None where the finding is not there; ``releases`` are those that it is about."""

    count: int | None
    releases: tuple[ReleaseKey, ...] = ()


async def decisions_on(reads: Reads, name: str) -> DecisionsShown:
    finding = await reads.finding(name)
    if finding is None:
        return DecisionsShown(None)
    return DecisionsShown(sum(one.kind is EvidenceKind.DECIDED for one in finding.evidence), finding.releases)


async def is_followed(reads: Reads, name: str, before: DecisionsShown, at: str = "") -> bool:
    """Whether one more decision than ``before`` is shown: a finding that it explained away is gone, and shows it too.

    ``at``: the printer at which it booked the releases; they must have their rows there.
    """
    async with reads.snapshot() as held:
        now = await decisions_on(held, name)
        shown = now.count is None or now.count > (before.count or 0)
        return shown and (not at or await _are_booked(held, before.releases[:BOOKED_MAX], at))


async def _are_booked(reads: Reads, releases: Sequence[ReleaseKey], at: str) -> bool:
    for key in releases:
        charges = await reads.charges_of(booked_as(key.release, at))
        if not any(one.printer == at and one.release.source == key.source for one in charges):
            return False
    return True
