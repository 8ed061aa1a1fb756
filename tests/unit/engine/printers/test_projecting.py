"""Who projects in its turn, and when what was read is stored without waiting for that."""

from __future__ import annotations

import asyncio
from collections import Counter
from typing import Any

from pagereeve.engine.printers.projecting import LONG_LINE, ProjectingTurns
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.records.requests import Append
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World


async def _takes_a_turn(turns: ProjectingTurns) -> None:
    async with turns:
        await asyncio.sleep(1)


def test_a_line_is_long_where_many_wait_and_no_longer_once_they_went() -> None:
    async def story() -> None:
        turns = ProjectingTurns()
        some = [asyncio.create_task(_takes_a_turn(turns)) for _ in range(turns.at_once_max + LONG_LINE - 1)]
        await asyncio.sleep(0.5)
        assert not turns.is_long()
        some.append(asyncio.create_task(_takes_a_turn(turns)))
        await asyncio.sleep(0)
        assert turns.is_long()
        await asyncio.sleep(1)
        assert not turns.is_long()
        await asyncio.gather(*some)

    passing(story())


class CountingJournal(MemoryJournal):
    """``asked`` counts what goes to the writer."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: Counter[str] = Counter()

    def _store(self, request: Any) -> Any:
        if not isinstance(request, Append):
            self.asked[type(request).__name__] += 1
        return super()._store(request)


async def _asked_of(printers: int) -> Counter[str]:
    """Of releases that begin and end at the same instants."""
    journal = CountingJournal()
    async with World({f"p{nth}": FakePrinter() for nth in range(printers)}, store=journal) as world:
        await world.passes(100)
        journal.asked.clear()
        await asyncio.gather(*(world.release(f"r-{name}", 4, name) for name in world.printers))
        await world.passes(100)
        assert not world.troubles
        return journal.asked


def test_readings_wait_with_their_rows_in_a_short_line_and_go_alone_in_a_long_one() -> None:
    alone, short, long = (passing(_asked_of(printers)) for printers in (1, LONG_LINE, 4 * LONG_LINE))
    assert short["Observe"] == LONG_LINE * alone["Observe"]
    assert long["Observe"] > 4 * LONG_LINE * alone["Observe"]
