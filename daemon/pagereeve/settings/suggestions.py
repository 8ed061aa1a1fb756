"""The nearest known name to one that isn't known."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

LISTED_MAX = 40


def nearest(name: str, known: Iterable[str]) -> str:
    """A hint for the end of an error: the nearest of ``known``, or all of them if they are few, or nothing."""
    names = sorted(known)
    close = difflib.get_close_matches(name[:64].lower(), names, n=1, cutoff=0.6)
    if close:
        return f"; did you mean {close[0]!r}?"
    if not names or len(names) > LISTED_MAX:
        return ""
    return f"; known are {', '.join(names)}"
