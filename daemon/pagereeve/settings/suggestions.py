"""The nearest known name to one that isn't known."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Final

LISTED_MAX: Final = 40
# Comparing with every name of a site takes a while: the first names that are unknown get a hint.
ASKED_MAX: Final = 50


def nearest(name: str, known: Iterable[str]) -> str:
    """A hint for the end of an error: the nearest of ``known``, or all of them if they are few, or nothing."""
    names = sorted(known)
    close = difflib.get_close_matches(name[:64].lower(), names, n=1, cutoff=0.6)
    if close:
        return f"; did you mean {close[0]!r}?"
    if not names or len(names) > LISTED_MAX:
        return ""
    return f"; known are {', '.join(names)}"


class Known:
    """Names that something may be, and the nearest of them to one that it is not."""

    def __init__(self, names: Iterable[str]) -> None:
        self._names = frozenset(names)
        self._hints: dict[str, str] = {}

    def __contains__(self, name: str) -> bool:
        return name in self._names

    def nearest_to(self, name: str) -> str:
        """As ``nearest`` says it. After ASKED_MAX different names there are no more hints."""
        if name not in self._hints:
            if len(self._hints) >= ASKED_MAX:
                return ""
            self._hints[name] = nearest(name, self._names)
        return self._hints[name]
