"""Text from outside for rich and for spreadsheets.

A spreadsheet takes text that begins like a formula for one. Text columns of a CSV are guarded against that,
figures never (grafana/grafana#17363).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Final

from rich.markup import escape

from pagereeve.domain.values.visible import visible

Cell = str | int | None

BOM: Final = "\ufeff"
_FORMULA_BEGINS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def plain(text: str) -> str:
    """``visible``, and no markup for rich, which obeys brackets."""
    return escape(visible(text))


def guarded(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe before what begins like one."""
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA_BEGINS) else text


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Cell]], *, bom: bool = False) -> str:
    """A small table whole, as RFC 4180 has it. A figure is written plainly, None as an empty cell."""
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    writer.writerow(columns)
    for row in rows:
        writer.writerow([guarded(cell) if isinstance(cell, str) else cell for cell in row])
    return (BOM if bom else "") + buffer.getvalue()
