"""Releases at a printer that nobody knows, and stray pages at another that fit in time and number: offered, no more.

Who sent them may call a printer by a name of its own. A person who finds the offer right books the releases there.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Charge, Evidence, EvidenceKind, Finding, ReleaseKey
from pagereeve.domain.values.instants import SECOND_US

# Pages that came to rest longer after the start were hardly this release's; our choice.
NEAR_US: Final = 1_800 * SECOND_US
OFFERS_MAX: Final = 10


def with_offers(
    findings: Iterable[Finding], strays: Sequence[Finding], charges: Mapping[ReleaseKey, Charge]
) -> list[Finding]:
    """The findings, those about unknown printers with what is offered; ``charges`` are of releases that they name."""
    return [one if one.kind != "unknown-printer" else _with(one, strays, charges) for one in findings]


def _with(finding: Finding, strays: Sequence[Finding], charges: Mapping[ReleaseKey, Charge]) -> Finding:
    offers: list[Evidence] = []
    for key in finding.releases:
        charge = charges.get(key)
        if charge is None or not charge.released or charge.channel not in CLAIMED_CHANNELS:
            continue
        for stray in strays:
            if stray.pages == charge.released and _is_near(stray, charge.started_us) and len(offers) < OFFERS_MAX:
                offers.append(shown.perhaps_at(key, stray.printer, stray.id, stray.pages))
    return find.with_evidence(finding, offers) if offers else finding


def _is_near(stray: Finding, started_us: int) -> bool:
    """The gap was open when the release started, and its pages had come soon after."""
    closes = next((one.value("closes_us") for one in stray.evidence if one.kind is EvidenceKind.CUTS), None)
    if not isinstance(closes, int) or stray.state != "open":
        return False
    return stray.since_us <= started_us <= closes <= started_us + NEAR_US
