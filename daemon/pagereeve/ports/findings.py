"""Which findings are asked for, and how the answer is counted and paged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.ledger import SEVERITIES, Finding, FindingState, Severity
from pagereeve.domain.values.instants import FOREVER_US

PAGE_MAX: Final = 1_000

Place = tuple[int, int, str, str, int, int]
"""Where a page ended; the next begins behind it. Nobody else's business what it is made of."""


DearPlace = tuple[int, int, int, str, str, int, int]
"""The same where those with the most pages come first."""


@dataclass(frozen=True, slots=True)
class FindingFilter:
    """None: any. ``printer`` "" means those that are about no printer's meter. They began in [from_us, to_us)."""

    state: FindingState | None = None
    kind: str | None = None
    printer: str | None = None
    from_us: int = 0
    to_us: int = FOREVER_US
    severity: Severity | None = None

    def holds(self, finding: Finding) -> bool:
        return (
            self.state in {None, finding.state}
            and self.kind in {None, finding.kind}
            and self.printer in {None, finding.printer}
            and self.severity in {None, finding.severity}
            and self.from_us <= finding.since_us < self.to_us
        )


@dataclass(frozen=True, slots=True)
class FindingCount:
    """``findings`` of equal severity, kind, state and reason. Pages are in the meters' steps: those that are too many
    and those that are too few are added up apart; findings that are not about pages have none, and ``about_pages`` of
    them are.
    """

    severity: Severity
    kind: str
    state: FindingState
    reason: str
    findings: int
    too_many: int
    too_few: int
    about_pages: int


@dataclass(frozen=True, slots=True)
class OpenFindings:
    """How many open ``findings`` of one severity are about a printer's meter ("": about none)."""

    printer: str
    severity: Severity
    findings: int


@dataclass(frozen=True, slots=True)
class FindingsPage:
    """The worst first, then the oldest. ``after`` is None with the last page."""

    findings: Sequence[Finding]
    after: Place | None


@dataclass(frozen=True, slots=True)
class DearestPage:
    """Those about the most pages first, then the worst, then the oldest. ``after`` is None with the last page."""

    findings: Sequence[Finding]
    after: DearPlace | None


def dearness(finding: Finding) -> tuple[int, int, int, str, str]:
    """What they are put in order by."""
    rank = SEVERITIES.index(finding.severity)
    return -abs(finding.pages or 0), rank, finding.since_us, finding.printer, finding.id
