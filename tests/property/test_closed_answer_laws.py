"""Whatever was decided, a close freezes what costs, losses and statements said: they say the same afterwards."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from decimal import Decimal
from typing import Any, Final

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.rates import Rate, RateCard, Rates
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.facts.people import PersonNamed
from pagereeve.domain.ledger import RowSegment, cost_centre_of
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.closing import Closing
from pagereeve.ports.reads import Reads
from pagereeve.queries.closed_costs import costs_of_period
from pagereeve.queries.closing import detailed_rows
from pagereeve.queries.costs import COSTS_BY, Prices
from pagereeve.queries.frozen_answers import answer_rows
from pagereeve.queries.losses import losses_of
from pagereeve.queries.statement_lines import Subject
from pagereeve.queries.statements import statement_of
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.records.frozen_rows import row_line, row_of
from tests.exports import UTC
from tests.property.days import DAY_US
from tests.property.test_page_decision_laws import journal_with, of
from tests.property.test_statement_laws import LISTS

FEWER: Final = settings(max_examples=max(5, settings().max_examples // 20))
SEEDS = st.integers(0, 2**32)
SPANS = st.tuples(st.integers(0, 200 * SECOND_US), st.integers(100 * SECOND_US, 400 * SECOND_US))
RATES: Final = Rates(
    [
        RateCard("first", "EUR", 0, (Rate("total", Decimal("0.025")), Rate("colour", Decimal("0.1")))),
        RateCard("second", "CHF", DAY_US + 200 * SECOND_US, (Rate("total", Decimal("0.03")),)),
    ]
)
DEARER: Final = Rates([RateCard("dearer", "JPY", 0, (Rate("total", Decimal(7)),))])


async def _rows(held: Reads, period: Period) -> AsyncIterator[FrozenRow]:
    async for row in answer_rows(held, period, Prices(RATES, {"east": "large"})):
        assert row_of(row_line(row)) == row
        yield row
    async for row in detailed_rows(held, period):
        yield row


async def _close(journal: MemoryJournal, period: Period) -> None:
    ends = (period.from_us, period.to_us)
    closing = Closing(period.name, period.zone.key, "2026a", *ends, period.to_us, "bursar", "", "j-1", 3, "ab", 7)
    async with journal.snapshot() as held:
        await journal.close_period(closing, _rows(held, period))


async def _answers(journal: MemoryJournal, period: Period, rates: Rates) -> list[Any]:
    found: list[Any] = []
    for by in COSTS_BY:
        costs = await costs_of_period(journal, period, by, rates, {"east": "large"})
        found.append(replace(costs, as_closed=None))
        for line in costs.lines:
            if by == "person" and cost_centre_of(line.who) is not None:
                continue
            subject = Subject(by, line.person or line.who)
            known = await statement_of(journal, subject, period, Prices(rates, {"east": "large"}))
            assert known.bill == line.bill
            found.append(replace(known, as_closed=None, seal=None))
    found += [replace(await losses_of(journal, period, by), as_closed=None, seal=None) for by in ("printer", "cause")]
    return found


async def _changed(journal: MemoryJournal, segments: list[RowSegment]) -> None:
    """All rows go, and cost centres are others."""
    for printer in {one.printer for one in segments}:
        await journal.replace(printer, None, [])
    await journal.append(PersonNamed(0, "p-000000000001", "cost_centre", "chemistry", 1, "warden"))
    await journal.append(Assigned(0, "chervil", "geology"))


@FEWER
@given(seed=SEEDS, span=SPANS)
def test_what_was_said_before_a_close_is_said_after_it_whatever_comes(seed: int, span: tuple[int, int]) -> None:
    segments, decided = of(seed)
    period = Period("P", UTC, DAY_US + span[0], DAY_US + span[0] + span[1])

    async def look() -> None:
        journal = await journal_with(segments, decided)
        for fact in LISTS:
            await journal.append(fact)
        before = await _answers(journal, period, RATES)
        await _close(journal, period)
        assert await _answers(journal, period, RATES) == before
        await _changed(journal, segments)
        assert await _answers(journal, period, DEARER) == before

    asyncio.run(look())
