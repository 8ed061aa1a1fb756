"""Findings of a period added up by what people said they came of: where the pages go that nobody is charged for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from rich.table import Table

from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.ledger import Finding
from pagereeve.reports.totals import period_json

NOT_SAID = "(nobody has said)"
CLOSED = "(closed, or over by itself)"


@dataclass(slots=True)
class SummaryLine:
    """``too_many`` and ``too_few`` are pages, in the meters' steps; findings that are not about pages have none."""

    reason: str
    kind: str
    findings: int = 0
    too_many: int = 0
    too_few: int = 0


def summary_of(findings: Iterable[Finding]) -> list[SummaryLine]:
    """By reason and kind; what nobody has spoken of comes last."""
    lines: dict[tuple[str, str], SummaryLine] = {}
    for finding in findings:
        reason = finding.reason or (NOT_SAID if finding.state == "open" else CLOSED)
        line = lines.setdefault((reason, finding.kind), SummaryLine(reason, finding.kind))
        line.findings += 1
        line.too_many += max(0, finding.pages or 0)
        line.too_few += max(0, -(finding.pages or 0))
    return sorted(lines.values(), key=lambda one: (one.reason.startswith("("), one.reason, one.kind))


def summary_json(period: Period, lines: Sequence[SummaryLine]) -> dict[str, Any]:
    return {
        "period": period_json(period),
        "summary": [
            {
                "reason": None if line.reason in {NOT_SAID, CLOSED} else line.reason,
                "open": line.reason == NOT_SAID,
                "kind": line.kind,
                "findings": line.findings,
                "pages_too_many": line.too_many,
                "pages_too_few": line.too_few,
            }
            for line in lines
        ],
    }


def summary_table(lines: Sequence[SummaryLine]) -> Table:
    table = Table()
    table.add_column("reason")
    table.add_column("finding")
    for heading in ("findings", "pages too many", "pages too few"):
        table.add_column(heading, justify="right")
    for line in lines:
        cells = (line.reason, line.kind, line.findings, line.too_many, line.too_few)
        table.add_row(*(str(cell) for cell in cells))
    return table
