"""Findings of a period added up by the cause that people recorded: where the pages go that nobody is charged for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.table import Table

from pagereeve.queries.findings import CLOSED, NOT_SAID, SummaryAnswer, SummaryLine
from pagereeve.reports.totals import period_json


def summary_json(answer: SummaryAnswer) -> dict[str, Any]:
    return {
        "period": period_json(answer.period),
        "summary": [
            {
                "reason": None if line.reason in {NOT_SAID, CLOSED} else line.reason,
                "open": line.reason == NOT_SAID,
                "kind": line.kind,
                "findings": line.findings,
                "pages_too_many": line.too_many,
                "pages_too_few": line.too_few,
            }
            for line in answer.lines
        ],
    }


def summary_table(lines: Sequence[SummaryLine]) -> Table:
    table = Table(
        caption="too many: beyond the most that was expected; totals --by printer shows what is charged to nobody"
    )
    table.add_column("reason")
    table.add_column("finding")
    for heading in ("findings", "pages too many", "pages too few"):
        table.add_column(heading, justify="right")
    for line in lines:
        cells = (line.reason, line.kind, line.findings, line.too_many, line.too_few)
        table.add_row(*(str(cell) for cell in cells))
    return table
