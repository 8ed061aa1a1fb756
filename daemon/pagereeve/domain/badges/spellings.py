"""Does a text hold a badge's number, in any way in which a reader may write it?

A sender that makes an id of badge and time, or names a gateway by the badge, would bring the number into the journal in
clear, past its hash. How surely a number is told from a count or a time depends on its length:

* ten characters or more are looked for anywhere in a text;
* six to nine only where the text does not go on: a number between digits is another number, a word between letters and
  digits another word (six digits stand by chance in one of a thousand ids made of a time, otherwise);
* shorter ones only where they are the whole text: "12" is no badge in "job-12".

Case and separators count for nothing, in the number as in the text.
"""

from __future__ import annotations

import re
import string
from typing import Final

from pagereeve.domain.badges.styles import DECIMAL_WIDTHS, WIDTHS_BYTES

ANYWHERE_LEAST: Final = 10
INSIDE_LEAST: Final = 6
_SEPARATORS: Final = " \t:.,;_/|#+-"
# Of A to Z alone: other letters may be of another length in lower case, and are in no number.
_SQUEEZE: Final = str.maketrans(string.ascii_uppercase, string.ascii_lowercase, _SEPARATORS)
_HEX: Final = re.compile(r"(?:[0-9a-f]{2}){3,10}", re.ASCII)
_DIGITS: Final = re.compile(r"\d{1,20}", re.ASCII)
_FACILITY_BYTES: Final = 3


def spellings(*numbers: str) -> frozenset[str]:
    """All ways to write what each of the numbers may mean: as it is, in hexadecimal and decimal, either byte first."""
    found: set[str] = set()
    for number in numbers:
        plain = _squeezed(number)
        found.add(plain)
        if _HEX.fullmatch(plain):
            found |= _of_octets(bytes.fromhex(plain))
        if _DIGITS.fullmatch(plain):
            found |= _of_value(int(plain))
    return frozenset(found - {""})


def holds_number(text: str, written: frozenset[str]) -> bool:
    """``written`` is what ``spellings`` gave."""
    squeezed = _squeezed(text)
    if squeezed in written:
        return True
    return any(
        len(one) >= INSIDE_LEAST and one in squeezed and (len(one) >= ANYWHERE_LEAST or _stands_alone(one, text))
        for one in written
    )


def _squeezed(text: str) -> str:
    return text.translate(_SQUEEZE)


def _of_octets(octets: bytes) -> set[str]:
    found = {octets.hex(), octets[::-1].hex()}
    for turned in (octets, octets[::-1]):
        found |= _decimal(int.from_bytes(turned, "big"))
        found.add("".join(f"{octet:03d}" for octet in turned))
        if len(turned) == _FACILITY_BYTES:
            found.add(f"{turned[0]:03d}{int.from_bytes(turned[1:], 'big'):05d}")
    return found


def _of_value(value: int) -> set[str]:
    found = _decimal(value)
    for width in WIDTHS_BYTES:
        if value < 1 << 8 * width:
            octets = value.to_bytes(width, "big")
            found |= {octets.hex(), octets[::-1].hex()}
    return found


def _decimal(value: int) -> set[str]:
    return {str(value), *(str(value).zfill(width) for width in DECIMAL_WIDTHS)}


def _stands_alone(number: str, text: str) -> bool:
    """Once at least, where neither side goes on with the same kind of character; separators within are let pass."""
    places = [at for at, letter in enumerate(text) if letter not in _SEPARATORS]
    plain = _squeezed(text)
    goes_on = str.isdigit if number.isdigit() else str.isalnum
    at = plain.find(number)
    while at >= 0:
        first, last = places[at], places[at + len(number) - 1]
        if not (first and goes_on(text[first - 1])) and not (last + 1 < len(text) and goes_on(text[last + 1])):
            return True
        at = plain.find(number, at + 1)
    return False
