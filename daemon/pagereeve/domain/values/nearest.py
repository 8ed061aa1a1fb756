"""The known name that is nearest to one that is not known, among many, at a bounded cost."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from difflib import get_close_matches
from functools import lru_cache
from typing import Final

# Among so many names on either side of the unknown one, in order and in order of their reversals: a slip of the hand
# leaves the beginning or the end of a name as it was.
NEIGHBOURS: Final = 100
NAME_MAX: Final = 64
REMEMBERED_MAX: Final = 1_024
NEAR_MAX: Final = 30
LIKE: Final = 0.75
"""Of difflib's ratio, from which on a name may be meant; our choice."""


class KnownNames:
    """Names that are known, for good; ``nearest`` is remembered for the latest unknown ones."""

    def __init__(self, names: Iterable[str] = ()) -> None:
        self._names = frozenset(names)
        self._plain: dict[str, str] = {}
        for name in sorted(self._names, reverse=True):
            self._plain[_plain(name)] = name
        self._forward = sorted(self._names)
        self._backward = sorted(name[::-1] for name in self._names)
        self.nearest = lru_cache(maxsize=REMEMBERED_MAX)(self._nearest)

    def __contains__(self, name: str) -> bool:
        return name in self._names

    def __len__(self) -> int:
        return len(self._names)

    def _nearest(self, name: str) -> str:
        """Empty where none is near. Names that differ in case, blanks and hyphens alone are the nearest."""
        same = self._plain.get(_plain(name))
        if same is not None:
            return same
        close = self._close(name, 1)
        return close[0] if close else ""

    def near(self, name: str) -> list[str]:
        """At most NEAR_MAX of them, in no order that matters."""
        same = self._plain.get(_plain(name))
        return list(dict.fromkeys([*([] if same is None else [same]), *self._close(name, NEAR_MAX)]))

    def _close(self, name: str, most: int) -> list[str]:
        asked = name[:NAME_MAX]
        near = {*_around(self._forward, asked), *(one[::-1] for one in _around(self._backward, asked[::-1]))}
        return get_close_matches(asked, sorted(near), n=most, cutoff=LIKE)


def _plain(name: str) -> str:
    return "".join(letter for letter in name.casefold() if letter.isalnum())


def _around(names: list[str], name: str) -> list[str]:
    place = bisect_left(names, name)
    return names[max(0, place - NEIGHBOURS) : place + NEIGHBOURS]
