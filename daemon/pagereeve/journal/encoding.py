"""Canonical JSON as text, fast where the standard library's own encoder surely writes the same (RFC 8785)."""

from __future__ import annotations

import json
from typing import Any, Final

from pagereeve.domain.canonical import SAFE_INTEGER, canonical
from pagereeve.domain.errors import BadCanonical

_ENCODER: Final = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)


def canonical_text(value: Any) -> str:
    """The text of ``domain.canonical.canonical``. Raises BadCanonical."""
    if not _plain(value):
        return canonical(value).decode()
    text = _ENCODER.encode(value)
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise BadCanonical(f"a lone surrogate can't be written ({error.reason})") from error
    return text


def _plain(value: Any) -> bool:
    """Only ASCII names, whose order is the same in UTF-16, and no number whose text could differ."""
    if value is None or isinstance(value, str | bool):
        return True
    if isinstance(value, int):
        return abs(value) <= SAFE_INTEGER
    if isinstance(value, dict):
        return all(isinstance(name, str) and name.isascii() and _plain(member) for name, member in value.items())
    if isinstance(value, list | tuple):
        return all(_plain(item) for item in value)
    return False
