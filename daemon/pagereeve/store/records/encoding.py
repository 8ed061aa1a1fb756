"""Canonical JSON as text, fast where an encoder in machine code surely writes the same (RFC 8785)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import orjson

from pagereeve.domain.values.canonical import SAFE_INTEGER, canonical


def canonical_text(value: Any) -> str:
    """The text of ``domain.canonical.canonical``. Raises BadCanonical."""
    return encoder_for(value)(value)


def encoder_for(value: Any) -> Callable[[Any], str]:
    """What writes ``value``, and anything made of its parts under ASCII names, as ``canonical_text`` does."""
    return _quick if _plain(value) else _careful


def _careful(value: Any) -> str:
    return canonical(value).decode()


def _quick(value: Any) -> str:
    try:
        return orjson.dumps(value, option=orjson.OPT_SORT_KEYS).decode()
    except orjson.JSONEncodeError:
        # A lone surrogate, which the careful way names, or deeper than this encoder goes.
        return _careful(value)


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
