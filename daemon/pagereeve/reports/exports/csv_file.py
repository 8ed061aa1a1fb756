"""CSV, row by row: RFC 4180, in the form that the reader's spreadsheet expects.

UTF-8 with a byte order mark or without one, and never a line that hints at the separator: it disables the mark
(Belphemur/vue-json-csv#43). Text columns are guarded against formulas, figures never (grafana/grafana#17363).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import BinaryIO, Final, Literal

from pagereeve.domain.accounts.export_rows import ExportRow
from pagereeve.reports.exports.account import Account
from pagereeve.reports.exports.columns import Column, Value
from pagereeve.reports.text import BOM, guarded

Locale = Literal["cs", "da", "de", "de-CH", "en", "es", "fi", "fr", "it", "nb", "nl", "pl", "pt", "sv"]
Delimiter = Literal[",", ";", "tab"]
DecimalSign = Literal[".", ","]
DELIMITERS: Final[dict[Delimiter, str]] = {",": ",", ";": ";", "tab": "\t"}
_POINT: Final[frozenset[Locale]] = frozenset({"en", "de-CH"})
"""Languages whose decimal sign is a point (Unicode CLDR, symbols of numbers); of all others it is a comma."""


@dataclass(frozen=True, slots=True)
class CsvForm:
    delimiter: Delimiter = ","
    decimal: DecimalSign = "."
    bom: bool = False

    @classmethod
    def of(
        cls,
        locale: Locale | None = None,
        delimiter: Delimiter | None = None,
        decimal: DecimalSign | None = None,
        *,
        bom: bool | None = None,
    ) -> CsvForm:
        """What is given wins over what the locale says; a file for a locale is for a spreadsheet, so it has the mark.

        Where the decimal sign is a comma, programs separate fields by a semicolon (common practice, no source; so they
        do in Switzerland).
        """
        comma = locale is not None and locale not in _POINT
        return cls(
            delimiter or (";" if comma or locale == "de-CH" else ","),
            decimal or ("," if comma else "."),
            locale is not None if bom is None else bom,
        )

    def cell(self, value: Value | Decimal) -> str | int | None:
        match value:
            case bool():
                return "yes" if value else "no"
            case str():
                return guarded(value)
            case Decimal():
                return f"{value:f}".replace(".", self.decimal)
            case _:
                return value


def csv_table(columns: Sequence[str], rows: Iterable[Sequence[Value | Decimal]], form: CsvForm) -> str:
    """A small table whole; None is an empty cell."""
    buffer = io.StringIO()
    buffer.write(BOM if form.bom else "")
    writer = csv.writer(buffer, delimiter=DELIMITERS[form.delimiter])
    writer.writerow(columns)
    writer.writerows([form.cell(value) for value in row] for row in rows)
    return buffer.getvalue()


class CsvFile:
    """Lines end in CR LF. A figure that is not known is an empty cell."""

    def __init__(self, file: BinaryIO, columns: Sequence[Column], form: CsvForm) -> None:
        self._text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=False)
        self._columns, self._form = columns, form
        self._writer = csv.writer(self._text, delimiter=DELIMITERS[form.delimiter])
        self._text.write(BOM if form.bom else "")
        self._writer.writerow([one.name for one in columns])

    def write(self, row: ExportRow) -> None:
        self._writer.writerow([self._form.cell(column.value(row)) for column in self._columns])

    def end(self, account: Account) -> None:  # noqa: ARG002 - it lies beside the file
        """What is buffered is handed on; the file stays open."""
        self._text.flush()
        self._text.detach()

    def abandon(self) -> None:
        self._text.detach()
