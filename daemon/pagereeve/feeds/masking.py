"""A sample of unreadable input that shows its form but holds no badge number."""

from __future__ import annotations

import string
from typing import Final

SAMPLE_MAX_BYTES: Final = 256

_LETTERS = string.ascii_letters.encode()
_DIGITS = string.digits.encode()
_ASCII_MASK: Final = bytes.maketrans(_LETTERS + _DIGITS, b"x" * len(_LETTERS) + b"9" * len(_DIGITS))
_HIGH = bytes(range(0x80, 0x100))
_FULL_MASK: Final = bytes.maketrans(
    _LETTERS + _DIGITS + _HIGH, b"x" * len(_LETTERS) + b"9" * len(_DIGITS) + b"\x80" * len(_HIGH)
)


def masked_text(sample: bytes) -> bytes:
    """Letters become ``x``, digits ``9``; marks and the bytes above 0x7F, which show a wrong encoding, stay."""
    return sample[:SAMPLE_MAX_BYTES].translate(_ASCII_MASK)


def masked_line(sample: bytes) -> bytes:
    """As ``masked_text``; bytes above 0x7F are masked too, since a reader may send a badge number as raw bytes."""
    return sample[:SAMPLE_MAX_BYTES].translate(_FULL_MASK)
