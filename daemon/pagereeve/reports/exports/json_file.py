"""JSON, row by row: one object, whose lists of rows are written as they come."""

from __future__ import annotations

import json
from typing import Any, BinaryIO, Final

from pagereeve.domain.accounts.export_rows import ExportBy, ExportRow, RowKind
from pagereeve.domain.accounts.totals import Total
from pagereeve.reports.exports.account import Account, Made
from pagereeve.reports.rows_json import charge_json
from pagereeve.reports.totals import adjustment_row_json, decision_row_json, house_json, total_json, total_row_json

LISTS: Final[dict[RowKind, str]] = {
    "people": "totals",
    "house": "house",
    "decision": "decisions",
    "adjustment": "adjustments",
    "total": "total",
}
"""In this order; an export gives its rows in it."""


class JsonFile:
    """An object to a line, so that a long list can be read in part."""

    def __init__(self, file: BinaryIO, by: ExportBy, made: Made) -> None:
        self._file, self._by = file, by
        self._lists = [name for kind, name in LISTS.items() if kind != "decision" or by == "release"]
        self._open: str | None = None
        self._rows = 0
        head = json.dumps(made.body(), ensure_ascii=False, indent=2)
        self._write(head.removesuffix("\n}"))

    def _write(self, text: str) -> None:
        self._file.write(text.encode())

    def write(self, row: ExportRow) -> None:
        while self._open != LISTS[row.kind]:
            self._next_list()
        self._write((",\n    " if self._rows else "\n    ") + json.dumps(self._shown(row), ensure_ascii=False))
        self._rows += 1

    def _next_list(self) -> None:
        self._end_list()
        self._open = self._lists.pop(0)
        self._rows = 0
        self._write(f',\n  "{self._open}": [')

    def _end_list(self) -> None:
        if self._open is not None:
            self._write("\n  ]" if self._rows else "]")

    def _shown(self, row: ExportRow) -> dict[str, Any]:
        if row.kind == "house":
            return house_json(self._by, row)
        if row.kind == "decision":
            return decision_row_json(row)
        if row.kind == "adjustment":
            return adjustment_row_json(self._by, row)
        if row.charge is not None:
            return charge_json(row.charge) | {"pages": row.pages}
        if row.kind == "total":
            return total_row_json(row)
        figures = Total(row.who, row.channel, row.unit) if row.figures is None else row.figures
        return total_json(self._by, figures) | {"pages": row.pages}

    def end(self, account: Account) -> None:
        while self._lists:
            self._next_list()
        self._end_list()
        rest = json.dumps(account.body(), ensure_ascii=False, indent=2)
        self._write("," + rest.removeprefix("{") + "\n")

    def abandon(self) -> None:
        """Nothing is held."""
