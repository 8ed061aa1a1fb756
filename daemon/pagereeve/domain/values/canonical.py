"""The canonical bytes of a JSON value: RFC 8785 (JCS)."""

from __future__ import annotations

import math
from json.encoder import encode_basestring
from typing import Any, Final

from pagereeve.domain.values.errors import BadCanonical

SAFE_INTEGER = 2**53 - 1
# The escapes of RFC 8785 section 3.2.2.2 are those that the standard library writes.
_QUOTED: Final = encode_basestring
_LITERALS: Final[dict[bool | None, str]] = {None: "null", False: "false", True: "true"}


def canonical(value: Any) -> bytes:
    """UTF-8 bytes of ``value`` as RFC 8785 section 3.2 orders and writes it. Raises BadCanonical."""
    try:
        return _text(value).encode()
    except UnicodeEncodeError as error:
        raise BadCanonical(f"a lone surrogate can't be written ({error})") from error


def _text(value: Any) -> str:
    if isinstance(value, str):
        return _QUOTED(value)
    if value is None or isinstance(value, bool):
        return _LITERALS[value]
    if isinstance(value, int):
        if abs(value) > SAFE_INTEGER:
            raise BadCanonical(f"an integer of {value.bit_length()} bits is beyond 2^53 - 1; write it as text")
        # The figure, whatever a subclass (an enum) calls itself.
        return int.__repr__(value)
    if isinstance(value, float):
        return number_text(value)
    if isinstance(value, list | tuple):
        return f"[{','.join([_text(item) for item in value])}]"
    if isinstance(value, dict):
        members = [f"{_QUOTED(key)}:{_text(value[key])}" for key in sorted(value, key=_utf16)]
        return f"{{{','.join(members)}}}"
    raise BadCanonical(f"{type(value).__name__} has no JSON form")


def _utf16(key: Any) -> bytes:
    if not isinstance(key, str):
        raise BadCanonical(f"{key!r} can't name an object's member")
    return key.encode("utf-16-be")


def number_text(value: float) -> str:
    """A double as ECMAScript writes it (RFC 8785 section 3.2.2.3, ECMA-262 Number::toString)."""
    if not math.isfinite(value):
        raise BadCanonical(f"{value} is no JSON number")
    if value == 0:
        return "0"
    sign = "-" if value < 0 else ""
    mantissa, _, exponent_text = repr(abs(value)).partition("e")
    whole, _, fraction = mantissa.partition(".")
    fraction = "" if fraction == "0" else fraction
    digits = (whole + fraction).lstrip("0")
    point = len(whole) + int(exponent_text or 0) - (len(whole + fraction) - len(digits))
    digits = digits.rstrip("0")
    return sign + _placed(digits, point)


def _placed(digits: str, point: int) -> str:
    """Shortest digits with the decimal point after the ``point``-th of them."""
    if len(digits) <= point <= 21:
        return digits.ljust(point, "0")
    if 0 < point <= 21:
        return f"{digits[:point]}.{digits[point:]}"
    if -6 < point <= 0:
        return f"0.{'0' * -point}{digits}"
    exponent = point - 1
    head = digits[0] + (f".{digits[1:]}" if len(digits) > 1 else "")
    return f"{head}e{'+' if exponent > 0 else '-'}{abs(exponent)}"
