"""Exports of rows in memory, as bytes, and a month with something in each account."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb

from pagereeve.domain.accounts.export_rows import ExportBy, ExportRow, summed_rows
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod
from pagereeve.domain.accounts.totals import By, Total
from pagereeve.reports.exports.account import Account
from pagereeve.reports.exports.columns import columns_of
from pagereeve.reports.exports.csv_file import CsvFile, CsvForm

UTC = ZoneInfo("UTC")
NOTHING = AccountsOfPeriod((), ())
PLAIN = CsvForm()


def csv_bytes(by: By, lines: Sequence[Total], accounts: AccountsOfPeriod = NOTHING, form: CsvForm = PLAIN) -> bytes:
    return rows_as_csv(by, summed_rows(by, lines, accounts), form)


def rows_as_csv(by: ExportBy, rows: Iterable[ExportRow], form: CsvForm = PLAIN, zone: ZoneInfo = UTC) -> bytes:
    file = io.BytesIO()
    writer = CsvFile(file, columns_of(by, zone), form)
    for row in rows:
        writer.write(row)
    writer.end(Account(NOTHING, {}))
    return file.getvalue()


def duckdb_says(query: str, path: Path) -> list[tuple[Any, ...]]:
    """``query`` names the file as ?."""
    with duckdb.connect() as database:
        return database.execute(query, [str(path)]).fetchall()
