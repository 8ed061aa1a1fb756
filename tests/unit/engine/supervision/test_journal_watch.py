"""The look at the journal: twice a second, and each change and each damaged row told once."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

import pytest

from pagereeve.engine.supervision.journal_watch import LOOK_EVERY_S, JournalWatch
from pagereeve.ports.journal import DamagedRow
from tests.unit.engine.virtual import VirtualClock, passing


@dataclass
class Journal:
    why: str = ""
    looks: int = 0
    rows: list[DamagedRow] = field(default_factory=list)
    told: list[str | DamagedRow] = field(default_factory=list)

    async def look(self) -> str:
        self.looks += 1
        return self.why


async def _story() -> None:
    clock, journal = VirtualClock(), Journal()
    watch = JournalWatch(clock, journal.look, journal.told.append, lambda: journal.rows, journal.told.append)
    running = asyncio.create_task(watch.run())
    await clock.sleep(9.5 * LOOK_EVERY_S)
    assert journal.looks == 10
    assert journal.told == []
    journal.why = "moved"
    await clock.sleep(2 * LOOK_EVERY_S)
    assert journal.told == ["moved"]
    first, second = DamagedRow("hall", 3, "reading"), DamagedRow("", 1, "bound")
    journal.rows.append(first)
    await clock.sleep(2 * LOOK_EVERY_S)
    journal.why = ""
    journal.rows.append(second)
    await clock.sleep(4 * LOOK_EVERY_S)
    assert journal.told == ["moved", first, "", second]
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running


def test_each_change_and_each_damaged_row_is_told_once() -> None:
    passing(_story())


def test_damage_is_noticed_within_a_second() -> None:
    assert LOOK_EVERY_S <= 0.5
