"""Options of commands that write CSV for a spreadsheet."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from pagereeve.reports.exports.csv_file import DecimalSign, Delimiter, Locale

CsvLocale = Annotated[
    Locale | None, Parameter(help="CSV as a spreadsheet of that language reads it: separator, decimal sign, mark.")
]
CsvDelimiter = Annotated[Delimiter | None, Parameter(help="Separator of the CSV; wins over --locale.")]
CsvDecimal = Annotated[DecimalSign | None, Parameter(help="Decimal sign of the CSV; wins over --locale.")]
