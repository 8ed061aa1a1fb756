"""A finding as one line of a list: where, what it says, and what to do first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pagereeve.console.pages.shell import Clock, figure
from pagereeve.domain.alerts.advice import ADVICE, Advice
from pagereeve.domain.findings.wording import text_of
from pagereeve.domain.ledger import Finding

UNKNOWN_KIND: Final = Advice("a kind of finding of another version", "", "")


@dataclass(frozen=True, slots=True)
class FindingLine:
    id: str
    kind: str
    where: str
    pages: int | None
    text: str
    first: str
    since_us: int
    severity: str
    state: str


def line_of(finding: Finding, clock: Clock) -> FindingLine:
    return FindingLine(
        id=finding.id,
        kind=finding.kind,
        where=finding.printer or finding.place or "the site",
        pages=None if finding.pages is None else abs(finding.pages),
        text=text_of(finding, clock.second, figure),
        first=advice_on(finding.kind).first,
        since_us=finding.since_us,
        severity=finding.severity,
        state=finding.state,
    )


def advice_on(kind: str) -> Advice:
    return ADVICE.get(kind, UNKNOWN_KIND)
