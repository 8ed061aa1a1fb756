"""A body's instants beside its words: as numbers they take a third of what packing leaves of their digits.

In the words a mark stands for each, with its quotes: a letter that stands in no canonical JSON, which escapes it. The
numbers are the microseconds since the instant before, for the first since NEAR_US: the sign in the lowest bit, then
seven bits a byte, the lowest first; the highest bit of a byte says that another follows.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from pagereeve.domain.values.instants import from_own_text, to_text

MARK: Final = "\x01"
NEAR_US: Final = 1_767_225_600_000_000
"""2026-01-01: instants of these years take seven bytes."""
INSTANTS_MAX: Final = 255
_BYTES_MAX: Final = 9
"""Of a number: 63 bits, more than from any year to any other."""
_INSTANT: Final = re.compile('"([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}[.][0-9]{6}Z)"')


def parted(body: str) -> tuple[str, Sequence[int]] | None:
    """The words with marks, and the instants; None without any, and where they would not come back as they were."""
    if MARK in body:
        return None
    pieces = _INSTANT.split(body)
    if not 1 < len(pieces) <= 2 * INSTANTS_MAX:
        return None
    try:
        instants = [from_own_text(text) for text in pieces[1::2]]
    except ValueError:
        # Of no day or hour that there is: it stays among the words.
        return None
    return MARK.join(pieces[::2]), instants


def joined(words: str, instants: Sequence[int]) -> str | None:
    """The inverse of ``parted``; None where they are not one another's."""
    first, *others = words.split(MARK)
    if len(others) != len(instants):
        return None
    try:
        return first + "".join([f'"{to_text(at_us)}"{piece}' for at_us, piece in zip(instants, others, strict=True)])
    except OverflowError:
        return None


def written(instants: Sequence[int]) -> bytes:
    numbers, last_us = bytearray(), NEAR_US
    for at_us in instants:
        step_us, last_us = at_us - last_us, at_us
        rest = step_us << 1 if step_us >= 0 else (-step_us << 1) - 1
        while rest > 127:
            numbers.append(rest & 127 | 128)
            rest >>= 7
        numbers.append(rest)
    return bytes(numbers)


def read(stored: bytes, count: int) -> tuple[Sequence[int], int] | None:
    """So many of them from the beginning, and how many bytes they take; None where they are not there."""
    instants: list[int] = []
    at_us, place = NEAR_US, 0
    end = min(len(stored), count * _BYTES_MAX)
    for _ in range(count):
        number = shift = 0
        while place < end and stored[place] > 127:
            number |= (stored[place] & 127) << shift
            shift += 7
            place += 1
        if place == end:
            return None
        number |= stored[place] << shift
        place += 1
        at_us += -(number + 1 >> 1) if number & 1 else number >> 1
        instants.append(at_us)
    return instants, place
