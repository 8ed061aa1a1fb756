"""How many of what, in words: the one place where singular and plural are chosen."""

from __future__ import annotations

from collections.abc import Callable

Figure = Callable[[int], str]
"""Writes a count for its reader: commands write digits alone (``str``), pages group them."""


def form(count: int, one: str, many: str = "") -> str:
    """``one`` for 1 and -1, else ``many``, which is ``one`` and an s where it is left out: page, pages; is, are."""
    return one if abs(count) == 1 else many or f"{one}s"


def amount(count: int, one: str, many: str = "", figure: Figure = str) -> str:
    """``1 page``, ``2 pages``, ``0 pages``, as ``form`` has it."""
    return f"{figure(count)} {form(count, one, many)}"
