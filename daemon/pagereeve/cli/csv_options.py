"""Options of commands that write CSV for a spreadsheet."""

from __future__ import annotations

import sys
from typing import Annotated, Final

from cyclopts import Parameter

from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.reports.exports.csv_file import CsvForm, DecimalSign, Delimiter, Locale

OPTIONS: Final = ("--locale", "--delimiter", "--decimal", "--bom")


def written_as(format_: str) -> str:
    """``auto`` is a table on a terminal, and CSV elsewhere."""
    if format_ != "auto":
        return format_
    return "table" if sys.stdout.isatty() else "csv"


def csv_form(
    written: str,
    locale: Locale | None = None,
    delimiter: Delimiter | None = None,
    decimal: DecimalSign | None = None,
    *,
    bom: bool | None = None,
) -> CsvForm:
    """``written``: the format of what is written. Raises BadQuestion where it is no CSV, and one of them is given."""
    given = [name for name, value in zip(OPTIONS, (locale, delimiter, decimal, bom), strict=True) if value is not None]
    if given and written != "csv":
        raise BadQuestion(given[0], f"is for CSV, and this is written as {written}; leave it out, or say --format csv")
    return CsvForm.of(locale, delimiter, decimal, bom=bom)


CsvLocale = Annotated[
    Locale | None, Parameter(help="CSV as a spreadsheet of that language reads it: separator, decimal sign, mark.")
]
CsvDelimiter = Annotated[Delimiter | None, Parameter(help="Separator of the CSV; wins over --locale.")]
CsvDecimal = Annotated[DecimalSign | None, Parameter(help="Decimal sign of the CSV; wins over --locale.")]
