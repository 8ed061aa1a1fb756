"""A workbook of three sheets, written row by row: the rows, the period's account, and what the columns say.

ISO/IEC 29500 by XlsxWriter in its constant-memory mode. Cells are typed: text is text, whatever it looks like (no
formula, no date, no lost zero), and a figure is a number.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import BinaryIO, Final

from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from pagereeve.domain.accounts.export_rows import ExportRow
from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.accounts.printer_accounts import EdgeStretch
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import EPOCH
from pagereeve.domain.values.plain_text import refused_character
from pagereeve.domain.values.visible import visible
from pagereeve.reports.exports.account import LINES, Account, Made
from pagereeve.reports.exports.columns import Column, Value
from pagereeve.reports.seal import head_text
from pagereeve.reports.totals import accounts_json, period_line

ROWS_MAX: Final = 1_048_576
"""Rows of a sheet, its heading among them (Microsoft: Excel specifications and limits)."""
TEXT_MAX: Final = 32_767
"""Characters of a cell (the same)."""
_NO_CHARACTERS: Final = frozenset("\ufffe\uffff")
_NARROW, _WIDE, _WIDEST = 11, 26, 100
_EDGES: Final = ("printer", "channel", "unit", "opens", "closes", "counted", "of the period")
_ZONE_FROM: Final = {"default": "no zone is set", "close": "the close of the period"}
# The same rows are the same file, whenever it is made.
_CREATED: Final = datetime(2000, 1, 1, tzinfo=UTC)


class _Outlet:
    """The file, until the workbook is given up: what its archive still writes when it is let go then goes nowhere."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file

    def give_up(self) -> None:
        self._file = io.BytesIO()

    def write(self, data: bytes) -> int:
        return self._file.write(data)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def flush(self) -> None:
        self._file.flush()

    def seekable(self) -> bool:
        return self._file.seekable()


class XlsxFile:
    """The sheet ``rows`` as they come; ``end`` adds the others and writes the file."""

    def __init__(self, file: BinaryIO, columns: Sequence[Column], made: Made, expected: int = 0) -> None:
        """``expected``: so many rows will come at least. Raises BadQuestion where a sheet can't hold them."""
        _refuse_too_many(expected)
        self._made, self._columns, self._row = made, columns, 1
        self._outlet = _Outlet(file)
        self._book = Workbook(self._outlet, {"constant_memory": True})
        self._book.set_properties({"title": "Pagereeve", "created": _created(made)})
        self._text = self._book.add_format({"num_format": "@"})
        self._whole = self._book.add_format({"num_format": "0"})
        self._head = self._book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        self._rows = self._book.add_worksheet("rows")
        for place, column in enumerate(columns):
            width = _WIDE if column.kind == "text" else _NARROW
            self._rows.set_column(place, place, width, self._text if column.kind == "text" else self._whole)
        self._heading(self._rows, 0, [one.name for one in columns])

    def _heading(self, sheet: Worksheet, row: int, names: Sequence[str]) -> None:
        for place, name in enumerate(names):
            sheet.write_string(row, place, name, self._head)
        if row == 0:
            sheet.freeze_panes(1, 0)

    def write(self, row: ExportRow) -> None:
        """Raises BadQuestion for more rows than a sheet holds."""
        _refuse_too_many(self._row)
        for place, column in enumerate(self._columns):
            self._cell(self._rows, self._row, place, column.value(row))
        self._row += 1

    def _cell(self, sheet: Worksheet, row: int, place: int, value: object) -> None:
        match value:
            case None:
                return
            case bool():
                sheet.write_boolean(row, place, value)
            case int():
                sheet.write_number(row, place, value, self._whole)
            case str():
                sheet.write_string(row, place, _shown(value), self._text)

    def abandon(self) -> None:
        """Nothing more is written; what was kept in passing is removed."""
        self._outlet.give_up()
        for sheet in self._book.worksheets():
            sheet._opt_close()  # noqa: SLF001 - it has no other way to let go of its temporary files

    def end(self, account: Account) -> None:
        self._account(self._book.add_worksheet("account"), account)
        self._legend(self._book.add_worksheet("columns"), self._head)
        self._book.close()

    def _account(self, sheet: Worksheet, account: Account) -> None:
        sheet.set_column(0, 0, _WIDE)
        sheet.set_column(1, 20, 14)
        made = self._made
        said: list[tuple[str, Value]] = [
            ("period", period_line(made.period)),
            (
                "zone from",
                {"default": "no zone is set", "close": "the close of the period"}.get(made.zone_from, made.zone_from),
            ),
            ("time zone database", made.database),
            ("journal", None if made.seal is None else made.seal.origin),
            ("head of the journal", None if made.seal is None else head_text(made.seal)),
            *_closed(made),
            ("adds up", "NO" if account.differences else "yes"),
        ]
        said += [(f"difference in {channel}", pages) for (channel, _), pages in account.differences.items()]
        for row, (name, value) in enumerate(said):
            sheet.write_string(row, 0, name, self._head)
            self._cell(sheet, row, 1, value)
        row = len(said) + 1
        lines = [accounts_json(line) for line in account.accounts.lines]
        names = list(lines[0]) if lines else ["printer", "channel", "unit"]
        self._heading(sheet, row, [name.replace("_", " ") for name in names])
        for line in lines:
            row += 1
            for place, name in enumerate(names):
                self._cell(sheet, row, place, line[name])
        self._edges(sheet, row + 2, account.accounts.edges)

    def _edges(self, sheet: Worksheet, row: int, edges: Sequence[EdgeStretch]) -> None:
        if not edges:
            return
        sheet.write_string(row, 0, "stretches over an edge of the period", self._head)
        self._heading(sheet, row + 1, _EDGES)
        zone = self._made.period.zone
        for nth, one in enumerate(edges):
            found = one.stretch
            span = (local_text(found.opens_us, zone), local_text(found.closes_us, zone))
            values = (found.printer, found.channel, found.unit.value, *span, found.counted, one.pages)
            for place, value in enumerate(values):
                self._cell(sheet, row + 2 + nth, place, value)

    def _legend(self, sheet: Worksheet, head: Format) -> None:
        sheet.set_column(0, 0, _WIDE)
        sheet.set_column(1, 1, _WIDEST)
        sheet.write_string(0, 0, "column", head)
        sheet.write_string(0, 1, "says", head)
        sheet.freeze_panes(1, 0)
        told = [(one.name, one.about) for one in self._columns]
        told += [(f"account: {name.replace('_', ' ')}", about) for name, about in LINES.items()]
        for row, (name, about) in enumerate(told, start=1):
            sheet.write_string(row, 0, name)
            sheet.write_string(row, 1, about)


def _created(made: Made) -> datetime:
    return _CREATED if made.closed is None else EPOCH + timedelta(microseconds=made.closed.closing.at_us)


def _closed(made: Made) -> list[tuple[str, Value]]:
    if made.closed is None:
        return []
    one = made.closed
    known: list[tuple[str, Value]] = [
        ("closed", local_text(one.closing.at_us, made.period.zone)),
        ("closed by", one.closing.by),
        ("closed despite", one.closing.reason or None),
        ("frozen rows", one.rows),
        ("SHA-256 of the frozen rows", one.sha256),
        ("the same since names were erased", one.erased_sha256 or None),
    ]
    return [(name, value) for name, value in known if value is not None]


def _refuse_too_many(rows: int) -> None:
    if rows >= ROWS_MAX:
        raise BadQuestion("--format", f"xlsx holds {ROWS_MAX - 1} rows, and there are more; use csv or parquet")


def _shown(text: str) -> str:
    """What XML can't hold is made visible (W3C XML 1.0 section 2.2), and what a reader's eye would obey; else a name
    stays as it is written, with its joiners and its blanks that do not break.
    """
    seen = visible(text) if refused_character(text) or _NO_CHARACTERS.intersection(text) else text
    if len(seen) > TEXT_MAX:
        raise BadQuestion("--format", f"xlsx holds {TEXT_MAX} characters a cell, {seen[:40]!r} has more; use csv")
    return seen
