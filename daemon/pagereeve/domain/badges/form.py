"""How a reader writes a badge number, and the one form that all readers' numbers are brought to.

A form is a property of the reader and never guessed: read the other way round, one person's badge is another one's
(monkeyboard/Wiegand-Protocol-Library-for-Arduino#56). Formats and worked values: public descriptions of the 26-bit
Wiegand format and of EM4100-style tags; ISO/IEC 14443-3 for UIDs (cascade tag 88, random UIDs 08, check byte; from
memory).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final, Literal

from pagereeve.domain.badges.keyboards import is_mistyped
from pagereeve.domain.badges.wiegand import BY_DIGITS, Parity, layouts_of
from pagereeve.domain.values.errors import PagereeveError

Encoding = Literal["text", "hex", "decimal", "bits", "facility-card", "decimal-bytes"]
ByteOrder = Literal["most-first", "least-first"]
CheckByte = Literal["none", "xor"]
Refused = Literal["form", "length", "parity", "check-byte", "ambiguous", "truncated", "random", "layout", "key"]

WIDTH_MAX: Final = 256
# What a keypad sends for each key: its number, alone or with the inverse of it. Common practice, no source.
KEY_BITS: Final = frozenset({4, 8})
UID_BITS: Final = 32
# Their 32 bits are a facility and a card.
NO_UID_FRAMES: Final = frozenset({35})
CASCADE_TAG, RANDOM_UID = 0x88, 0x08
_SEPARATORS: Final = re.compile(r"[\s:.,-]+", re.ASCII)
# Without a separator only leading zeros say where the one ends and the other begins.
_FACILITY: Final = re.compile(r"(\d{3})(\d{5})|(\d{1,3})[,:./ -](\d{1,5})", re.ASCII)

WHAT_TO_DO: Final[dict[Refused, str]] = {
    "form": "the number is not written in the reader's form; compare form and reader",
    "length": "the number is longer or shorter than the reader's form says; bits may be lost on the way",
    "parity": "the frame's parity is wrong; bits are lost or turned on the way",
    "check-byte": "the check byte doesn't fit the number; the card was removed too soon, or the form is wrong",
    "ambiguous": "decimal bytes without separators or leading zeros can be two numbers; set the reader to another form",
    "truncated": "the reader gives the first part of a longer number, which many cards share; set it to read all of it",
    "random": "the card makes up a number each time; it can't be a badge",
    "layout": "the characters are those of digit keys under another keyboard layout; give reader and computer the same",
    "key": "a key of a keypad was pressed; it is no badge, and nothing is wrong",
}


class BadBadge(PagereeveError):
    """A number that its reader's form refuses. Neither text nor attributes hold anything of it."""

    def __init__(self, reason: Refused) -> None:
        super().__init__(f"badge refused ({reason}): {WHAT_TO_DO[reason]}")
        self.reason: Refused = reason


@dataclass(frozen=True, slots=True)
class BadgeForm:
    """How one reader writes.

    encoding     ``text`` is used as it is, whatever it means; the others are numbers
    width_bits   of the number itself, without parity and check byte; None: whole bytes, as many as come
    byte_order   which byte comes first
    parity       ``wiegand``: as the layout of the frame's length has it, where the bits aren't removed already; or a
                 layout by its name (badges.wiegand)
    check_byte   ``xor``: the last byte is the XOR of the others
    inverted     every bit is turned round
    uid          a number of four bytes is a card's UID: one that is a part of a longer one, or random, is refused
    """

    encoding: Encoding = "text"
    width_bits: int | None = None
    byte_order: ByteOrder = "most-first"
    parity: Parity = "none"
    check_byte: CheckByte = "none"
    inverted: bool = False
    uid: bool = True


@dataclass(frozen=True, slots=True)
class _Bits:
    value: int
    width: int


def canonical_badge(text: str, form: BadgeForm) -> str:
    """Upper-case hexadecimal of fixed width, leading zeros kept; plain text as it is. Raises BadBadge."""
    if is_mistyped(text):
        raise BadBadge("layout")
    if form.encoding == "text":
        return text
    if _is_key(text.strip(), form):
        raise BadBadge("key")
    bits = _read(text.strip(), form)
    if form.inverted:
        bits = _Bits(bits.value ^ ((1 << bits.width) - 1), bits.width)
    sent_bits = bits.width
    if form.parity != "none":
        bits = _without_parity(bits, form)
    if form.check_byte == "xor":
        bits = _without_check_byte(bits)
    if form.width_bits is not None and bits.width != form.width_bits:
        raise BadBadge("length")
    if form.byte_order == "least-first":
        bits = _Bits(int.from_bytes(_bytes(bits), "little"), bits.width)
    if form.uid and bits.width == UID_BITS and sent_bits not in NO_UID_FRAMES:
        _refuse_no_uid(bits)
    digits = f"{bits.value:0{-(-bits.width // 4)}X}"
    # Numbers of odd widths must not look like those of whole bytes.
    return digits if bits.width % 8 == 0 else f"{bits.width}:{digits}"


def _is_key(text: str, form: BadgeForm) -> bool:
    """A frame of a keypad's length, where the form's own numbers are longer."""
    if form.encoding == "bits":
        width = len(text) if re.fullmatch(r"[01]+", text) else 0
    elif form.encoding == "hex":
        width = 4 * len(text) if re.fullmatch(r"[0-9A-Fa-f]+", text) else 0
    else:
        return False
    longer = form.width_bits is None or form.width_bits > max(KEY_BITS)
    return width in KEY_BITS and longer and form.check_byte == "none"


def _read(text: str, form: BadgeForm) -> _Bits:
    match form.encoding:
        case "hex":
            return _hex(_SEPARATORS.sub("", text), form)
        case "bits":
            if re.fullmatch(rf"[01]{{1,{WIDTH_MAX}}}", text) is None:
                raise BadBadge("form")
            return _Bits(int(text, 2), len(text))
        case "decimal":
            return _decimal(text, form)
        case "facility-card":
            match = _FACILITY.fullmatch(text)
            facility, card = (int(match[1] or match[3]), int(match[2] or match[4])) if match else (WIDTH_MAX, 0)
            if facility > 0xFF or card > 0xFFFF:
                raise BadBadge("form")
            return _Bits(facility << 16 | card, 24)
        case _:
            return _decimal_bytes(text, form)


def _hex(digits: str, form: BadgeForm) -> _Bits:
    if re.fullmatch(rf"[0-9A-Fa-f]{{1,{WIDTH_MAX // 4}}}", digits) is None:
        raise BadBadge("form")
    value, width = int(digits, 16), 4 * len(digits)
    if form.parity == "wiegand":
        # Seven digits hold 26 bits, nine hold 34.
        layout = BY_DIGITS.get(len(digits))
        width = width if layout is None else layout.frame_bits
    elif form.parity != "none":
        width = next(
            (one.frame_bits for one in layouts_of(form.parity) if -(-one.frame_bits // 4) == len(digits)), width
        )
    elif width % 8 and form.width_bits is not None and form.width_bits % 8:
        width = form.width_bits
    if value >> width or (width % 8 and form.parity == "none" and form.width_bits != width):
        raise BadBadge("length")
    return _Bits(value, width)


def _decimal(text: str, form: BadgeForm) -> _Bits:
    if re.fullmatch(r"\d{1,80}", text, re.ASCII) is None:
        raise BadBadge("form")
    sent = next((one.frame_bits for one in layouts_of(form.parity) if one.data_bits == form.width_bits), None)
    width = sent or (form.width_bits or 0) + (8 if form.check_byte == "xor" else 0)
    if int(text) >> width:
        raise BadBadge("length")
    return _Bits(int(text), width)


def _decimal_bytes(text: str, form: BadgeForm) -> _Bits:
    parts = _SEPARATORS.split(text)
    if len(parts) == 1:
        width = (form.width_bits or 0) + (8 if form.check_byte == "xor" else 0)
        if not width or len(text) != 3 * width // 8:
            raise BadBadge("ambiguous")
        parts = [text[at : at + 3] for at in range(0, len(text), 3)]
    if any(re.fullmatch(r"\d{1,3}", part, re.ASCII) is None or int(part) > 0xFF for part in parts):
        raise BadBadge("form")
    return _Bits(int.from_bytes(bytes(map(int, parts)), "big"), 8 * len(parts))


def _without_parity(bits: _Bits, form: BadgeForm) -> _Bits:
    layouts = layouts_of(form.parity)
    layout = next((one for one in layouts if one.frame_bits == bits.width), None)
    if layout is None:
        if any(one.data_bits == bits.width for one in layouts):
            return bits
        raise BadBadge("length")
    if not layout.is_whole(bits.value):
        raise BadBadge("parity")
    return _Bits(layout.number(bits.value), layout.data_bits)


def _without_check_byte(bits: _Bits) -> _Bits:
    octets = _bytes(bits)
    if len(octets) < 2:
        raise BadBadge("length")
    if reduce(xor, octets):
        raise BadBadge("check-byte")
    return _Bits(int.from_bytes(octets[:-1], "big"), bits.width - 8)


def _bytes(bits: _Bits) -> bytes:
    if bits.width % 8:
        raise BadBadge("length")
    return bits.value.to_bytes(bits.width // 8, "big")


def _refuse_no_uid(bits: _Bits) -> None:
    first = bits.value >> 24
    if first == CASCADE_TAG:
        raise BadBadge("truncated")
    if first == RANDOM_UID:
        raise BadBadge("random")
