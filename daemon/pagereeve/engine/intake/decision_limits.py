"""How many pages one credential decides on in a day, counted from the decisions that are stored."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Final

from pagereeve.domain.facts.events import AUTHOR
from pagereeve.domain.values.amounts import amount, form
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.ports.decisions import DecisionReads
from pagereeve.ports.intake import DecidedEnough, Envelope

DAY_US: Final = 86_400 * SECOND_US
"""Any 24 hours: no midnight gives the limit twice within a minute."""
_Decided = tuple[int, int]
"""When it was received, and its pages."""


class DecisionLimits:
    """One decision of a limited credential at a time, so that two at once do not pass on the same room."""

    def __init__(self, reads: DecisionReads, now_us: Callable[[], int]) -> None:
        self._reads = reads
        self._now_us = now_us
        self._one = asyncio.Lock()

    @asynccontextmanager
    async def room_for(self, envelope: Envelope) -> AsyncIterator[None]:
        """While the event is stored. Raises DecidedEnough. What is no number of pages is for others to refuse."""
        limit, data = envelope.pages_day_max, envelope.data
        pages = data.get("pages") if isinstance(data, dict) else None
        if limit is None or not isinstance(pages, int):
            yield
            return
        async with self._one:
            since_us = self._now_us() - DAY_US
            decided = await self._decided_since(since_us, str(data.get(AUTHOR, "")), envelope.id)
            if pages + sum(many for _, many in decided) > limit:
                raise DecidedEnough("data.pages", _problem(limit, pages, sorted(decided)))
            yield

    async def _decided_since(self, since_us: int, by: str, but: str) -> list[_Decided]:
        """``but``: the id of one that is sent again counts once."""
        return [
            (one.origin.received_us, one.said.pages)
            async for one in self._reads.page_decisions()
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
