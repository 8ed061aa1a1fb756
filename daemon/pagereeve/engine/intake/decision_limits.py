"""How many pages one credential decides on in a day, counted from the decisions that are stored."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import Final

from pagereeve.domain.facts.facts import PagesDecided
from pagereeve.domain.values.amounts import amount, form
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.ports.decisions import DecidedMeanwhile, DecisionStore
from pagereeve.ports.intake import DecidedEnough
from pagereeve.ports.journal import JournalUnavailable, Receipt

DAY_US: Final = 86_400 * SECOND_US
"""Any 24 hours: no midnight gives the limit twice within a minute."""
COUNTS_MAX: Final = 20
"""Somebody decides at several daemons at once: each count that was overtaken let one of the others pass."""
_Decided = tuple[int, int]
"""When it was received, and its pages."""


class DecisionLimits:
    """One decision of a limited credential at a time, so that two at once do not pass on the same room. Of two at two
    workers the store refuses the one that did not count the other, which is then counted.
    """

    def __init__(self, store: DecisionStore, now_us: Callable[[], int]) -> None:
        self._store = store
        self._now_us = now_us
        self._one = asyncio.Lock()

    async def stored(self, decided: PagesDecided, limit: int) -> Receipt:
        """Raises DecidedEnough; JournalUnavailable; BadFact."""
        async with self._one:
            for _ in range(COUNTS_MAX):
                counted = await self._store.last_position()
                await self.require_room(decided, limit)
                with suppress(DecidedMeanwhile):
                    return await self._store.append_counted(decided, counted)
        raise JournalUnavailable(f"{decided.by} decides all the time at other daemons; send it again later", "busy")

    async def require_room(self, decided: PagesDecided, limit: int) -> None:
        """As the journal is now. Raises DecidedEnough."""
        since_us, pages = self._now_us() - DAY_US, decided.said.pages
        before = await self._decided_since(since_us, decided.by, decided.origin.id)
        if pages + sum(many for _, many in before) > limit:
            raise DecidedEnough("data.pages", _problem(limit, pages, sorted(before)))

    async def _decided_since(self, since_us: int, by: str, but: str) -> list[_Decided]:
        """``but``: the id of one that is sent again counts once."""
        return [
            (one.origin.received_us, one.said.pages)
            async for one in self._store.page_decisions()
            if one.by == by and one.origin.received_us > since_us and one.origin.id != but
        ]


def _problem(limit: int, pages: int, decided: list[_Decided]) -> str:
    """``decided`` in order of time."""
    known = sum(many for _, many in decided)
    left = max(0, limit - known)
    are = form(left, "is", "are")
    said = f"is more than may be decided in 24 hours: {amount(left, 'page')} of {limit} (pages_day_max) {are} left"
    if pages > limit:
        return f"{said}, and no day has room for so many; ask who has a higher limit"
    for received_us, many in decided:
        known -= many
        if known + pages <= limit:
            return f"{said}; there is room for so many again at {to_text(received_us + DAY_US)}"
    return said
