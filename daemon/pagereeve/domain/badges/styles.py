"""Other ways to write a badge's number: for saying that a reader's style has changed, and never for mapping.

After a firmware update a reader may write all cards otherwise (esprfid/esp-rfid#610). Then badges that nobody owns
would be somebody's if they were written as before: that is worth saying, and no more.
"""

from __future__ import annotations

import re
from typing import Final

# Widths of the numbers on badges, in bytes: 26-bit data, UIDs of 4 and 7 bytes, EM4100-style tags.
WIDTHS_BYTES: Final = (3, 4, 5, 7)
# Decimal digits to which readers pad.
DECIMAL_WIDTHS: Final = (8, 10, 13)
_HEX: Final = re.compile(r"(?:[0-9A-F]{2}){3,10}", re.ASCII)
_DIGITS: Final = re.compile(r"\d{4,20}", re.ASCII)
_BITS_REVERSED: Final = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))


READ_SHORT: Final = "the low 24 bits of another"
SHIFTED: Final = "another, shifted by a bit"
SLIPS: Final = (READ_SHORT, SHIFTED)
"""What is no style of a reader but may be a slip of one reading: asked, and never applied."""
SHORT_BITS: Final = 24
_SHORT_DIGITS: Final = SHORT_BITS // 4


def read_short(canonical: str) -> str:
    """What a reader gives that passes on the last 24 bits alone; "" where the number is no longer than that."""
    whole = _HEX.fullmatch(canonical) is not None and len(canonical) > _SHORT_DIGITS
    return canonical[-_SHORT_DIGITS:] if whole else ""


def unshifted(canonical: str) -> frozenset[str]:
    """The numbers of which this one may be a reading that lost its first or its last bit, or gained one."""
    if not _HEX.fullmatch(canonical):
        return frozenset()
    bits, value = 4 * len(canonical), int(canonical, 16)
    top = 1 << (bits - 1)
    left, right = (value << 1) % (1 << bits), value >> 1
    return frozenset(f"{one:0{len(canonical)}X}" for one in (left, left | 1, right, right | top)) - {canonical}


def written_otherwise(canonical: str) -> dict[str, str]:
    """The number in other styles, by a name that fits "known only if written ..."; {} where it is no number."""
    plain = re.sub(r"[\s:.-]", "", canonical).upper()
    found: dict[str, str] = {}
    if plain != canonical:
        found["in capitals, without separators"] = plain
    if _HEX.fullmatch(plain):
        found |= _of_octets(bytes.fromhex(plain))
    if _DIGITS.fullmatch(plain):
        found |= _of_digits(plain)
    return {style: other for style, other in found.items() if other != canonical}


def _of_octets(octets: bytes) -> dict[str, str]:
    value, turned = int.from_bytes(octets, "big"), int.from_bytes(octets, "little")
    return {
        "byte-reversed": octets[::-1].hex().upper(),
        "inverted": bytes(octet ^ 0xFF for octet in octets).hex().upper(),
        "bit-reversed": octets.translate(_BITS_REVERSED).hex().upper(),
        "in decimal": str(value),
        "in decimal, byte-reversed": str(turned),
        **{f"in decimal of {width} digits": str(value).zfill(width) for width in DECIMAL_WIDTHS},
    }


def _of_digits(digits: str) -> dict[str, str]:
    value = int(digits)
    found = {"without leading zeros": str(value)}
    found |= {f"with {width} digits": str(value).zfill(width) for width in DECIMAL_WIDTHS}
    for width in WIDTHS_BYTES:
        if value < 1 << 8 * width:
            octets = value.to_bytes(width, "big")
            found[f"in hexadecimal of {width} bytes"] = octets.hex().upper()
            found[f"in hexadecimal of {width} bytes, byte-reversed"] = octets[::-1].hex().upper()
    return found
