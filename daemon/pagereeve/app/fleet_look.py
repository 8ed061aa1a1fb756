"""Many printers' agents looked over side by side, each in its own time and no more of them at once than is set."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Final

from pagereeve.ports.inspection import Inspection, Inspector
from pagereeve.ports.meter import MeterTarget

# Silent printers use all their time: 500 of them are through after two rounds of it.
AT_ONCE_MAX: Final = 256


async def look_over(
    inspector: Inspector,
    targets: Sequence[MeterTarget],
    timeout_s: float,
    on_done: Callable[[MeterTarget, Inspection], None],
    *,
    at_once: int = AT_ONCE_MAX,
) -> list[Inspection]:
    """All of them, in the order given; ``on_done`` receives each as it ends.

    Every one has ``timeout_s`` from its turn on, so that the whole ends within ceil(targets / at_once) times that.
    """
    room = asyncio.Semaphore(at_once)

    async def one(target: MeterTarget) -> Inspection:
        async with room:
            seen = await inspector.inspect(target, timeout_s)
        on_done(target, seen)
        return seen

    return await asyncio.gather(*(one(target) for target in targets))
