"""Rows by day around clock changes: each release is of the day that the C library's local clock showed at its start."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.frozen import FrozenCharge
from pagereeve.domain.accounts.periods import Period, period_of
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.closing import detailed_rows
from pagereeve.queries.exports import export_of
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.domain.accounts.test_clock_changes import transitions
from tests.unit.queries.test_exports import bracket

EVERY_S = 1_800
# A day of 23 hours, one of 25, a midnight that is skipped, one that comes twice.
MONTHS = [
    ("Europe/Berlin", "2024-03", 23),
    ("Europe/Berlin", "2024-10", 25),
    ("Africa/Cairo", "2024-04", 23),
    ("America/Havana", "2024-11", 25),
]


def shown_day(second: int, known: list[tuple[int, int]]) -> str:
    offset = known[bisect_right(known, (second, 10**9)) - 1][1]
    return (datetime.fromtimestamp(second, UTC) + timedelta(seconds=offset)).date().isoformat()


def around_the_change(month: Period, known: list[tuple[int, int]]) -> list[int]:
    """Each half hour of the days beside it, in seconds of UTC; each release starts and closes between two of them."""
    (change,) = (second for second, _ in known if month.from_us <= second * SECOND_US < month.to_us)
    return list(range(change - 36 * 3_600, change + 36 * 3_600, EVERY_S))


def text(second: int) -> str:
    return datetime.fromtimestamp(second, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@pytest.mark.parametrize(("zone", "name", "hours"), MONTHS)
async def test_each_release_is_of_the_day_that_the_clock_showed(zone: str, name: str, hours: int) -> None:
    known, month = transitions(zone), period_of(name, ZoneInfo(zone))
    starts = around_the_change(month, known)
    journal = MemoryJournal()
    segments = [bracket(text(one), text(one + 60), 5 * nth, 5) for nth, one in enumerate(starts)]
    await journal.replace("library", None, segments)
    shown = (shown_day(one, known) for one in starts)
    expected = Counter(day for day in shown if day.startswith(name))
    async with journal.snapshot() as held:
        export = await export_of(held, month, "day")
        rows = [row async for row in export.rows]
        frozen = Counter([row.day async for row in detailed_rows(held, month) if isinstance(row, FrozenCharge)])
    days = {row.who: row.figures.releases for row in rows if row.kind == "people" and row.figures is not None}
    assert days == expected == frozen
    assert hours * 3_600 // EVERY_S in expected.values()
