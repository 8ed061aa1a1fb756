"""Ordinal numbers as people count: from 1."""

from __future__ import annotations

from typing import Final

_ENDINGS: Final = {1: "st", 2: "nd", 3: "rd"}


def ordinal(number: int) -> str:
    """``1st``, ``22nd``, ``113th``."""
    ending = "th" if 10 <= number % 100 <= 20 else _ENDINGS.get(number % 10, "th")
    return f"{number}{ending}"
