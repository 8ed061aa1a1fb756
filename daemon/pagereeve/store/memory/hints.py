"""Hints where one process has the journal to itself, in a file or in memory: it holds all that there is."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

from pagereeve.ports.hints import Hint, Standing, printers_of

ME: Final = 1


class SoleHolder:
    """ports.hints.Hints."""

    def __init__(self) -> None:
        self._known: set[Hint] = set()
        self._mine: set[Hint] = set()
        self._printers: frozenset[str] = frozenset()

    @property
    def lifetime_s(self) -> None:
        return None

    async def open(self, known: Collection[Hint]) -> None:
        await self.offer(known)

    async def offer(self, known: Collection[Hint]) -> None:
        self._known |= set(known)
        self._printers = printers_of(known)

    async def renew(self) -> Standing:
        return Standing(ME, (ME,), frozenset(self._mine), {ME: self._printers})

    async def take(self, wanted: Sequence[Hint], most: int) -> Sequence[Hint]:
        free = [one for one in dict.fromkeys(wanted) if one in self._known and one not in self._mine]
        taken = free[: max(0, most)]
        self._mine.update(taken)
        return taken

    async def give_back(self, hints: Collection[Hint]) -> None:
        self._mine -= set(hints)

    async def close(self) -> None:
        self._mine.clear()
