"""What a reader that types its number gives, where computer and reader have different keyboard layouts.

The top row of the keyboard, in the order of the digits 0 to 9. *Common practice, no source*: the rows are from memory.
"""

from __future__ import annotations

from typing import Final

ROWS: Final = (
    "à&é\"'(-è_ç",  # French, without shift
    ")!@#$%^&*(",  # US, with shift
    '=!"§$%&/()',  # German, with shift
    "é+ěščřžýáí",  # Czech, without shift
)
_LEAST: Final = 6
"""Fewer characters than that may be anything."""
_SEPARATORS: Final = " :.,;_/+-"
_LETTERS: Final = "abcdef"


def is_mistyped(text: str) -> bool:
    """Nothing but characters of one such row, and letters from A to F: a number that lost its digits.

    Signs that stand between the digits of a number as people write it are no witnesses.
    """
    plain = text.strip().lower()
    if len(plain) < _LEAST or (plain.isascii() and plain.isalnum()):
        return False
    witnesses = sum(letter not in _SEPARATORS and letter not in _LETTERS for letter in plain)
    return witnesses > 1 and any(all(letter in row or letter in _LETTERS for letter in plain) for row in ROWS)
