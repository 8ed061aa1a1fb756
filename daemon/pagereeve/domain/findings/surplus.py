"""Two figures of one surplus: the finding counts from the most that was expected, the ledger from what is charged."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from pagereeve.domain.ledger import SURPLUS, UNATTRIBUTED, EvidenceKind, Finding, Posting

KIND: Final = "surplus"

StretchKey = tuple[str, object, object, object, object]


def stretch_of(finding: Finding) -> StretchKey | None:
    """Printer, run, channel, opening and closing of what a surplus is about; None of any other finding."""
    if finding.kind != KIND:
        return None
    cuts = next((one for one in finding.evidence if one.kind is EvidenceKind.CUTS), None)
    if cuts is None:
        return None
    run, channel, opens_us, closes_us = (cuts.value(name) for name in ("run", "channel", "opens_us", "closes_us"))
    return finding.printer, run, channel, opens_us, closes_us


def uncharged(postings: Iterable[Posting]) -> dict[StretchKey, int]:
    """By stretch, the pages that the ledger charges nobody for."""
    return {
        (one.printer, one.run, one.channel, one.opens_us, one.closes_us): sum(
            pages for account, pages in one.legs if account in {SURPLUS, UNATTRIBUTED}
        )
        for one in postings
    }


def booked_of(findings: Iterable[Finding], postings: Iterable[Posting]) -> dict[str, int]:
    """By surplus finding, the pages of its stretch that the ledger charges nobody for."""
    known = uncharged(postings)
    asked = ((one, stretch_of(one)) for one in findings)
    return {one.id: known[stretch] for one, stretch in asked if stretch in known}
