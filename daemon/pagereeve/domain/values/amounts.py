"""How many of what, in words: the one place where singular and plural are chosen."""

from __future__ import annotations


def form(count: int, one: str, many: str = "") -> str:
    """``one`` for 1 and -1, else ``many``, which is ``one`` and an s where it is left out: page, pages; is, are."""
    return one if abs(count) == 1 else many or f"{one}s"


def amount(count: int, one: str, many: str = "") -> str:
    """``1 page``, ``2 pages``, ``0 pages``, as ``form`` has it."""
    return f"{count} {form(count, one, many)}"
