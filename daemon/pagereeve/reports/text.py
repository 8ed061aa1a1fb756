"""Text from outside for rich and for spreadsheets.

A spreadsheet takes text that begins like a formula for one. Text columns of a CSV are guarded against that,
figures never (grafana/grafana#17363).
"""

from __future__ import annotations

from typing import Final

from rich.markup import escape

from pagereeve.domain.values.visible import visible

BOM: Final = "\ufeff"
_FORMULA_BEGINS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def plain(text: str) -> str:
    """``visible``, and no markup for rich, which obeys brackets."""
    return escape(visible(text))


def guarded(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe before what begins like one."""
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA_BEGINS) else text
