"""ports.following.Following where one process alone writes the journal: there is never anything."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Final

from pagereeve.ports.following import FollowedPage
from pagereeve.ports.gates import Gate

LONGEST_S: Final = 60.0
_NOTHING: Final = FollowedPage((), 0)


class NobodyAsks:
    """ports.gates.Gates: each printer is watched here."""

    async def ask(self, gate: Gate) -> None: ...

    async def withdraw(self, gate: Gate) -> None: ...

    async def asked(self) -> Sequence[Gate] | None:
        return None

    async def answer(self, gate: Gate) -> bool:  # noqa: ARG002 - as the port has it
        return False


class NobodyElse:
    longest_s = LONGEST_S
    gates = NobodyAsks()

    async def page(self, limit: int) -> FollowedPage:  # noqa: ARG002 - as the port has it
        return _NOTHING

    def passed(self, page: FollowedPage) -> None: ...

    async def news(self) -> None:
        await asyncio.sleep(LONGEST_S)

    async def close(self) -> None: ...
