"""What the facts that a close saw give today, by the same rules, is what it froze: however many facts came later."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Sequence
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.accounts.adjustments import entries_of
from pagereeve.domain.accounts.entries import EntryKey
from pagereeve.domain.accounts.period_rows import rows_in
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.reprojected import SeenByClose, reprojected
from pagereeve.store.memory.journal import MemoryJournal
from tests.property.days import DAY_US, PRINTER, make_day
from tests.property.test_export_rows import SEEDS

Run = PlateauRead | ReadFailed


async def take(journal: MemoryJournal, steps: Sequence[tuple[Fact | None, Run | None]]) -> None:
    for fact, current in steps:
        if current is not None and (fact is None or isinstance(fact, Run)):
            await journal.observe(PRINTER, [] if fact is None else [fact], current)
        elif fact is not None:
            await journal.append(fact)
    facts = [stored.fact async for stored in journal.facts(PRINTER)]
    run = await journal.open_run(PRINTER)
    await journal.replace(PRINTER, None, rebuild(PRINTER, facts, None if run is None else run.fact))


def entries(period: Period, segments: Sequence[RowSegment]) -> dict[EntryKey, int]:
    sums: Counter[EntryKey] = Counter()
    for row in rows_in(period, segments):
        for key, pages, _ in entries_of(row):
            sums[key] += pages
    return {key: pages for key, pages in sums.items() if pages}


async def read_until_us(journal: MemoryJournal) -> int:
    """When the meter was read last."""
    run = await journal.open_run(PRINTER)
    if run is None:
        return DAY_US
    fact = run.fact
    return fact.plateau.last_received_us if isinstance(fact, PlateauRead) else fact.silence.last_received_us


@given(SEEDS, st.integers(10, 95), st.integers(0, 600), st.booleans())
@settings(max_examples=40, deadline=None)
def test_under_the_heads_of_a_close_its_rows_come_out_again(seed: int, percent: int, ago_s: int, life: bool) -> None:
    """The close comes with a reading; its period ended some time before."""

    async def look() -> None:
        day, journal = make_day(seed, 40, life=life), MemoryJournal()
        cut = len(day.steps) * percent // 100
        await take(journal, day.steps[:cut])
        at_us = await read_until_us(journal)
        period = Period("", ZoneInfo("UTC"), 1, max(2, at_us - ago_s * SECOND_US))
        seen = SeenByClose(dict(await journal.timeline_heads()), at_us, period.to_us)
        frozen = entries(period, await journal.segments(PRINTER))
        await take(journal, day.steps[cut:])
        again = await reprojected(journal, PRINTER, seen)
        now = await journal.segments(PRINTER) if again is None else again.segments
        assert entries(period, now) == frozen, "nothing that came later reaches back" if again is None else ""

    asyncio.run(look())
