"""Bytes to a JSON value, strictly: RFC 8259 as I-JSON (RFC 7493) narrows it, so that each value has one meaning.

Numbers are never repeated in an error: a badge number may have been sent as one.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable
from typing import Any, Final

from pagereeve.domain.values.canonical import SAFE_INTEGER
from pagereeve.feeds.refusals import Refusal

DEPTH_MAX: Final = 32
SIZE_MAX_BYTES: Final = 1024 * 1024

_BOM: Final = b"\xef\xbb\xbf"
_MAYBE_SURROGATE: Final = re.compile(r"\\u[dD][89a-fA-F]")
_ESCAPE: Final = re.compile(r"\\(?:u[dD][89abAB]..\\u[dD][c-fC-F]..|u....|.)")
_LONE: Final = re.compile(r"\\u[dD][89a-fA-F]..")
_DIGITS_MAX: Final = len(str(SAFE_INTEGER))


class _BadToken(Exception):
    """Raised inside the JSON reader, which does not pass its position to its hooks."""

    def __init__(self, token: str, problem: str) -> None:
        super().__init__(problem)
        self.token = token
        self.problem = problem


def parse(body: bytes, *, depth_max: int = DEPTH_MAX, size_max_bytes: int = SIZE_MAX_BYTES) -> Any:
    """The value of a JSON text in UTF-8, one byte order mark allowed. Raises Refusal (``bad-json``, ``too-large``).

    Refused are: NaN and infinities, also by overflow; integers beyond 2^53 - 1; a member named twice; lone surrogates;
    nesting deeper than ``depth_max``. A number with a fraction or an exponent stays a float, even 12.0.
    """
    if len(body) > size_max_bytes:
        raise Refusal("too-large", "body", f"is {len(body)} bytes long; {size_max_bytes} at most")
    text = _text(body)
    try:
        value = _DECODER.decode(text)
    except json.JSONDecodeError as error:
        raise _refusal(text, error.pos, f"{error.msg}; send one JSON value") from error
    except _BadToken as error:
        raise _refusal(text, _outside_strings(text, error.token), error.problem) from None
    except RecursionError:
        raise _too_deep(depth_max) from None
    if text.count("[") + text.count("{") > depth_max:
        _check_depth(value, depth_max)
    _check_surrogates(text)
    return value


def _text(body: bytes) -> str:
    body = body.removeprefix(_BOM)
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError as error:
        bad = body[error.start : error.end].hex(" ")
        raise Refusal("bad-json", f"byte {error.start}", f"is no UTF-8 ({bad}); send UTF-8") from error


def _refusal(text: str, position: int, problem: str) -> Refusal:
    line = text.count("\n", 0, position) + 1
    column = position - text.rfind("\n", 0, position)
    return Refusal("bad-json", f"line {line}, column {column}", problem)


def _too_deep(depth_max: int) -> Refusal:
    return Refusal("bad-json", "body", f"is nested deeper than {depth_max} levels; send it flatter")


def _outside_strings(text: str, token: str) -> int:
    """Where ``token`` first occurs outside of a string, in one pass that large hostile input can't make slow."""
    plain = text.replace("\\\\", "  ").replace('\\"', "  ")
    start = 0
    for index, piece in enumerate(plain.split('"')):
        if index % 2 == 0 and (offset := piece.find(token)) >= 0:
            return start + offset
        start += len(piece) + 1
    return 0


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) == len(pairs):
        return members
    seen: set[str] = set()
    for name, _ in pairs:
        if name in seen:
            raise Refusal("bad-json", f"member {name[:40]!r}", "occurs twice in one object; send it once")
        seen.add(name)
    raise AssertionError("fewer members than pairs, yet none twice")


def _integer(token: str) -> int:
    # The length is looked at first: converting thousands of digits is slow, and Python refuses it.
    if len(token) > _DIGITS_MAX + 1 or abs(value := int(token)) > SAFE_INTEGER:
        raise _BadToken(token, "is a whole number beyond 2^53 - 1; send it as a text")
    return value


def _float(token: str) -> float:
    value = float(token)
    if not math.isfinite(value):
        raise _BadToken(token, "is a number too large for a double; send a smaller one")
    return value


def _constant(token: str) -> Any:
    raise _BadToken(token, f"{token} is no JSON number; leave the member out where the value is unknown")


def _check_depth(value: Any, depth_max: int) -> None:
    level = [value] if isinstance(value, dict | list) else []
    for _ in range(depth_max):
        if not level:
            return
        level = [item for holder in level for item in _items(holder) if isinstance(item, dict | list)]
    if level:
        raise _too_deep(depth_max)


def _items(holder: dict[str, Any] | list[Any]) -> Iterable[Any]:
    return holder.values() if isinstance(holder, dict) else holder


def _check_surrogates(text: str) -> None:
    """Only an escape can bring one: UTF-8 itself has none."""
    if not _MAYBE_SURROGATE.search(text):
        return
    for escape in _ESCAPE.finditer(text):
        if _LONE.fullmatch(escape[0]):
            raise _refusal(text, escape.start(), "is a lone surrogate; send the whole character")


_DECODER: Final = json.JSONDecoder(
    object_pairs_hook=_object, parse_int=_integer, parse_float=_float, parse_constant=_constant
)
