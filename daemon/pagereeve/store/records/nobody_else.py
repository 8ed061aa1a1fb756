"""ports.following.Following where one process alone writes the journal: there is never anything."""

from __future__ import annotations

import asyncio
from typing import Final

from pagereeve.ports.following import FollowedPage

LONGEST_S: Final = 60.0
_NOTHING: Final = FollowedPage((), 0)


class NobodyElse:
    longest_s = LONGEST_S

    async def page(self, limit: int) -> FollowedPage:  # noqa: ARG002 - as the port has it
        return _NOTHING

    def passed(self, page: FollowedPage) -> None: ...

    async def news(self) -> None:
        await asyncio.sleep(LONGEST_S)

    async def close(self) -> None: ...
