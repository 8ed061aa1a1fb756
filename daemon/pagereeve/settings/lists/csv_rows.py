"""Lists that people keep: CSV with a head line, comma, semicolon or tab, UTF-8 with or without a BOM.

As spreadsheets write it: a line that hints at the separator may come first (``sep=;``), empty cells may come last.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import from_text
from pagereeve.domain.values.plain_text import refused_character
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.text_file import text_of

FIELD_MAX: Final = 200
_HINT: Final = re.compile(r"sep=([;,\t])", re.IGNORECASE)


def csv_rows(
    path: Path, columns: Sequence[str], setting: str, optional: Sequence[str] = ()
) -> Iterator[tuple[int, Mapping[str, str]]]:
    """The number and the cells of each line with anything on it. Raises BadSettings; ``setting`` names the file."""
    lines = _lines_of(path, setting)
    _, head = next(lines, (1, []))
    head = _without_empty_ends(head)
    if not set(columns) <= set(head) <= {*columns, *optional} or len(set(head)) != len(head):
        also = f", and may name {', '.join(optional)}" if optional else ""
        raise BadSettings(str(path), [Problem("line 1", f"the head must name {', '.join(columns)}{also}")])
    for line, cells in lines:
        yield line, dict(zip(head, _squared(cells, len(head)), strict=True))


def head_of(path: Path, setting: str) -> list[str]:
    """The cells of the head line. Raises BadSettings."""
    return next(_lines_of(path, setting), (1, []))[1]


def _lines_of(path: Path, setting: str) -> Iterator[tuple[int, list[str]]]:
    text = text_of(path, f"{setting} names it")
    first = text.partition("\n")[0].strip("\r")
    hint = _HINT.fullmatch(first)
    lines = csv_lines(path, text, hint[1] if hint else _delimiter(first))
    if hint:
        next(lines)
    return lines


def csv_lines(path: Path, text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """The number and the cells, stripped, of the head line and of each line with anything on it. Raises BadSettings."""
    # str.splitlines would end a line at U+0085, U+2028 and others too, and glue a quoted cell together without them.
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for cells in lines:
            if lines.line_num == 1 or any(cell.strip() for cell in cells):
                yield lines.line_num, [cell.strip() for cell in cells]
    except csv.Error as error:
        raise BadSettings(str(path), [Problem(f"line {lines.line_num}", f"is no CSV ({error})")]) from error


def _squared(cells: list[str], width: int) -> list[str]:
    """The cells with empty ones in place of those that a line leaves out; surplus ones are joined to the last."""
    cells = _without_empty_ends(cells)
    padded = cells + [""] * (width - len(cells))
    return [*padded[: width - 1], ",".join(padded[width - 1 :])]


def _without_empty_ends(cells: list[str]) -> list[str]:
    held = [place for place, text in enumerate(cells, start=1) if text]
    return cells[: held[-1]] if held else []


def _delimiter(head: str) -> str:
    return ";" if ";" in head else "\t" if "\t" in head else ","


def cell(row: Mapping[str, str], name: str) -> str:
    """A cell that must hold something. Raises BadFact."""
    value = row[name]
    if not value:
        raise BadFact(name, "is empty; write one")
    if len(value) > FIELD_MAX:
        raise BadFact(name, f"is {len(value)} characters long; {FIELD_MAX} at most")
    if not value.isprintable():
        held = refused_character(value)
        text = f"the control character {held}" if held else "a character that can't be printed"
        raise BadFact(name, f"holds {text}; write plain text")
    return value


def instant(text: str, name: str) -> int | None:
    """A date (its midnight in UTC), an RFC 3339 time, or None for an empty cell. Raises BadFact."""
    if not text:
        return None
    try:
        return from_text(f"{text}T00:00:00Z" if len(text) == len("2026-01-31") else text, name)
    except BadFact:
        # The value is not repeated: where columns slipped, it is a badge number.
        raise BadFact(name, "is no date; write 2026-01-31 or 2026-01-31T09:00:00Z") from None
