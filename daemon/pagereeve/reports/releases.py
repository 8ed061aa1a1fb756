"""Releases a line each: as CSV and JSON one after the other, and as a table."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from typing import BinaryIO, Final
from zoneinfo import ZoneInfo

from rich.table import Table

from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.accounts.totals import OPEN
from pagereeve.domain.ledger import Charge
from pagereeve.reports.exports.csv_file import DELIMITERS, CsvForm
from pagereeve.reports.text import BOM, plain

COLUMNS: Final = (
    "started",
    "printer",
    "person",
    "release",
    "source",
    "channel",
    "unit",
    "released",
    "counted",
    "charged",
    "unproven",
    "verdict",
    "grade",
)
UNKNOWN_SHOWN: Final = "?"
LEGEND: Final = (
    "released: claimed by the server; counted: by the meter; charged: by policy; unproven: claimed, and no count "
    "supports it\n?: not known; open: no verdict yet; pagereeve explain RELEASE shows how a charge came about"
)


def release_values(charge: Charge, zone: ZoneInfo) -> dict[str, str | int | None]:
    """By column. None: not known."""
    return {
        "started": local_text(charge.started_us, zone),
        "printer": charge.printer,
        "person": charge.owner or None,
        "release": charge.release.release,
        "source": charge.release.source,
        "channel": charge.channel,
        "unit": None if charge.unit is None else charge.unit.value,
        "released": charge.released,
        "counted": charge.counted,
        "charged": charge.charged,
        "unproven": charge.unproven,
        "verdict": OPEN if charge.verdict is None else charge.verdict.value,
        "grade": None if charge.grade is None else charge.grade.value,
    }


def releases_table(charges: Sequence[Charge], zone: ZoneInfo) -> Table:
    table = Table(caption=LEGEND)
    for name in ("started", "printer", "person", "release", "channel"):
        table.add_column(name)
    for name in ("released", "counted", "charged", "unproven"):
        table.add_column(name, justify="right")
    for name in ("verdict", "grade"):
        table.add_column(name)
    for charge in charges:
        known = release_values(charge, zone)
        channel = charge.channel if charge.unit is None else f"{charge.channel}, {charge.unit.value}"
        texts = (known["started"], charge.printer, charge.owner, charge.release.release, channel)
        figures = (charge.released, charge.counted, charge.charged, charge.unproven)
        shown = (UNKNOWN_SHOWN if one is None else str(one) for one in figures)
        table.add_row(*(plain(str(one)) for one in texts), *shown, str(known["verdict"]), str(known["grade"] or ""))
    return table


class ReleasesCsv:
    """RFC 4180; text that a spreadsheet would run has an apostrophe before it, figures never."""

    def __init__(self, file: BinaryIO, zone: ZoneInfo, form: CsvForm) -> None:
        self._text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=False)
        self._zone, self._form = zone, form
        self._writer = csv.writer(self._text, delimiter=DELIMITERS[form.delimiter])
        self._text.write(BOM if form.bom else "")
        self._writer.writerow(COLUMNS)

    def write(self, charge: Charge) -> None:
        self._writer.writerow([self._form.cell(value) for value in release_values(charge, self._zone).values()])

    def end(self) -> None:
        """What is buffered is handed on; the file stays open."""
        self._text.flush()
        self._text.detach()


class ReleasesJson:
    """An array, a line each."""

    def __init__(self, file: BinaryIO, zone: ZoneInfo) -> None:
        self._file, self._zone, self._first = file, zone, True

    def write(self, charge: Charge) -> None:
        line = json.dumps(release_values(charge, self._zone), ensure_ascii=False)
        self._file.write(f"{'[' if self._first else ','}\n{line}".encode())
        self._first = False

    def end(self) -> None:
        self._file.write(b"[]\n" if self._first else b"\n]\n")
