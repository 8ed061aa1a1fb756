"""What became known of the pages since an instant: for somebody who looks again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.ledger import Evidence, Finding
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.findings import FindingFilter
from pagereeve.ports.reads import Reads
from pagereeve.queries.now import Strip, strips_of
from pagereeve.queries.totals import accounts_read

FINDINGS_SHOWN: Final = 20
LOOKED_AT_MAX: Final = 500
BEGAN_EARLIER_US: Final = 14 * 86_400 * SECOND_US
"""A gap that lasted longer than that before somebody looked is left out."""
ROWS_US: Final = 60 * SECOND_US
"""A finding is there so long after the last of its evidence, at most, but for what came late."""


@dataclass(frozen=True, slots=True)
class ChangedSince:
    """By the dates of facts. ``findings`` became known or others since then, those about the most pages first;
    ``more`` are not among them, and there may be others where ``is_cut``.
    """

    strips: tuple[Strip, ...]
    findings: Sequence[Finding]
    more: int
    is_cut: bool

    @property
    def is_nothing(self) -> bool:
        return not self.findings and not any(one.counted or one.missing for one in self.strips)


async def changed_since(reads: Reads, span: Period) -> ChangedSince:
    """Within ``span``, all of it read at one moment."""
    wanted = FindingFilter(from_us=max(0, span.from_us - BEGAN_EARLIER_US), to_us=span.to_us)
    async with reads.snapshot() as held:
        accounts, _ = await accounts_read(held, span)
        page = await held.dearest_findings(wanted, LOOKED_AT_MAX)
    found = [one for one in page.findings if _known_us(one) >= span.from_us]
    waits = sum(max(0, one.pages or 0) for one in found if one.state == "open")
    return ChangedSince(
        strips=tuple(one for one in strips_of(accounts.lines, waits) if one.counted or one.missing),
        findings=found[:FINDINGS_SHOWN],
        more=len(found[FINDINGS_SHOWN:]),
        is_cut=page.after is not None,
    )


def _known_us(finding: Finding) -> int:
    """The latest instant that it speaks of: a gap's finding begins with the gap, and is known when it ends."""
    told = [value for one in (finding.what, *finding.evidence) for value in _instants(one)]
    return max(finding.since_us, finding.until_us or 0, *told) + ROWS_US


def _instants(evidence: Evidence) -> list[int]:
    return [value for name, value in evidence.values if name.endswith("_us") and isinstance(value, int)]
