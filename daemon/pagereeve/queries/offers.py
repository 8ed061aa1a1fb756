"""What is offered beside a finding from other printers' rows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pagereeve.domain.ledger import Charge, Finding, ReleaseKey
from pagereeve.domain.patterns.elsewhere import with_offers
from pagereeve.ports.findings import PAGE_MAX, FindingFilter
from pagereeve.ports.reads import Reads

# Of so many findings, and so many releases of each, stray pages are looked for.
FINDINGS_MAX: Final = 20
RELEASES_MAX: Final = 20


async def offered(reads: Reads, findings: Sequence[Finding]) -> list[Finding]:
    """The findings, with stray pages that may be those of releases at a printer that nobody knows."""
    asked = [one for one in findings if one.kind == "unknown-printer"][:FINDINGS_MAX]
    if not asked:
        return list(findings)
    page = await reads.findings_page(FindingFilter("open", "stray-pages"), PAGE_MAX)
    charges: dict[ReleaseKey, Charge] = {}
    for finding in asked:
        for key in finding.releases[:RELEASES_MAX]:
            known = await reads.charges_of(key.release)
            charges.update({one.release: one for one in known if one.release == key and one.printer == finding.printer})
    return with_offers(findings, page.findings, charges)
