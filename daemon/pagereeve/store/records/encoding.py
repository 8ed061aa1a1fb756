"""Canonical JSON as text, fast where the standard library's own encoder surely writes the same (RFC 8785)."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, Final

from pagereeve.domain.values.canonical import SAFE_INTEGER, canonical
from pagereeve.domain.values.errors import BadCanonical

_ENCODER: Final = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)


def canonical_text(value: Any) -> str:
    """The text of ``domain.canonical.canonical``. Raises BadCanonical."""
    return encoder_for(value)(value)


def encoder_for(value: Any) -> Callable[[Any], str]:
    """What writes ``value``, and anything made of its parts under ASCII names, as ``canonical_text`` does."""
    return _quick if _plain(value) else _careful


def _careful(value: Any) -> str:
    return canonical(value).decode()


def _quick(value: Any) -> str:
    text = _ENCODER.encode(value)
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise BadCanonical(f"a lone surrogate can't be written ({error.reason})") from error
    return text


def _plain(value: Any) -> bool:
    """Only ASCII names, whose order is the same in UTF-16, and no number whose text could differ."""
    # By exact types: this runs for each member of each event.
    kind = type(value)
    if kind is int:
        return -SAFE_INTEGER <= int(value) <= SAFE_INTEGER
    if kind is dict:
        for name, member in value.items():
            if type(name) is not str or not name.isascii() or not (type(member) is str or _plain(member)):
                return False
        return True
    if kind is list or kind is tuple:
        return all(map(_plain, value))
    return value is None or kind is str or kind is bool
