"""A row on its way from a file into a database: values that the database takes, and a sum that shows that all came.

A damaged row stays as damaged as it was. PostgreSQL's text takes neither NUL nor what is no UTF-8
(postgresql.org/docs/15/datatype-character.html); SQLite's does, and a flipped bit may leave either.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

_SUM_BITS: Final = 256
_SUM_HEX: Final = _SUM_BITS // 4


def storable_text(text: str) -> str:
    r"""The text itself; where it holds NUL or octets that are no UTF-8, with these as ``\x00``, ``\xff``, and with each
    backslash doubled, so that nothing of it is lost.

    What was JSON but for these is none then either: JSON knows no ``\x``, and an even number of backslashes stands
    before it.
    """
    if text.isascii() and "\0" not in text:
        return text
    escaped = text.replace("\\", "\\\\").replace("\0", "\\x00")
    octets = escaped.encode(errors="surrogateescape")
    readable = octets.decode(errors="backslashreplace")
    return text if readable == text.replace("\\", "\\\\") else readable


def storable_row(values: Sequence[Any]) -> tuple[Any, ...]:
    return tuple([storable_text(one) if type(one) is str else one for one in values])


def _raw(value: object) -> str:
    if isinstance(value, bytes):
        return f"x'{value.hex()}'"
    raise TypeError(f"a row holds {type(value).__name__}")


_line: Final = json.JSONEncoder(separators=(",", ":"), default=_raw).encode


@dataclass(slots=True)
class RowsSum:
    """How many rows, and their digests (SHA-256) added up: equal for equal rows in any order.

    It shows what a fault left out, doubled or changed. It is no proof against a forger: that is the seal.
    """

    rows: int = 0
    total: int = 0

    def add(self, values: Sequence[Any]) -> None:
        digest = hashlib.sha256(_line(values).encode()).digest()
        self.total = (self.total + int.from_bytes(digest)) % (1 << _SUM_BITS)
        self.rows += 1

    @property
    def digest(self) -> str:
        return f"{self.total:0{_SUM_HEX}x}"

    @classmethod
    def of(cls, rows: int, digest: str) -> RowsSum:
        return cls(rows, int(digest, 16))
