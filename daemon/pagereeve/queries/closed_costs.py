"""Costs of a closed period: as they were frozen, or its frozen pages by the cards of today where no prices were."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field

from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.frozen import FrozenCharge, FrozenDecision, FrozenSaid
from pagereeve.domain.accounts.frozen_answers import CostsBy, FrozenAnswers, FrozenCard, FrozenCost
from pagereeve.domain.accounts.people import People, Who
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.rates import Bill, RateCard, Rates
from pagereeve.domain.ledger import Charge
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.queries.adjustments import changed_since
from pagereeve.queries.as_closed import AsClosed, pages_changed
from pagereeve.queries.as_sealed import period_of_closed
from pagereeve.queries.closed_periods import closed_as
from pagereeve.queries.costs import Costs, CostsAnswer, Prices, cost_lines, costs_of


@dataclass(slots=True)
class _Frozen:
    priced: bool = False
    cards: list[RateCard] = field(default_factory=list)
    costs: list[FrozenCost] = field(default_factory=list)
    people: People = field(default_factory=People)
    decided: list[DecisionPosting] = field(default_factory=list)


async def costs_of_period(
    reads: Reads, period: Period, by: CostsBy, rates: Rates, classes: Mapping[str, str]
) -> CostsAnswer:
    """As queries.costs.costs_of; of a closed period what was frozen."""
    async with reads.snapshot() as held:
        closed = await closed_as(held, period)
        if closed is None:
            return await costs_of(held, period, by, rates, classes)
        return await _closed_costs(held, closed, by, Prices(rates, classes))


async def _closed_costs(held: Reads, closed: ClosedPeriod, by: CostsBy, prices: Prices) -> CostsAnswer:
    period, changed = period_of_closed(closed), pages_changed(await changed_since(held, closed))
    frozen = await _frozen_of(held, closed)
    if frozen.priced:
        lines = _lines(frozen.costs, by, frozen.people)
        return CostsAnswer(period, by, lines, tuple(frozen.cards), AsClosed(closed, changed))
    lines = await cost_lines(held, _charges(held, closed), frozen.decided, by, frozen.people, prices)
    cards = prices.rates.cards_within(period.from_us, period.to_us)
    return CostsAnswer(period, by, lines, cards, AsClosed(closed, changed, ("prices",)))


async def _frozen_of(held: Reads, closed: ClosedPeriod) -> _Frozen:
    """All rows are gone through, so that they are known to be those that were frozen."""
    frozen = _Frozen()
    async for row in held.frozen_rows(closed):
        match row:
            case FrozenAnswers():
                frozen.priced = "prices" in row.kinds
            case FrozenCard():
                frozen.cards.append(row.card)
            case FrozenCost():
                frozen.costs.append(row)
            case FrozenSaid():
                frozen.people.add(row.fact)
            case FrozenDecision():
                frozen.decided.append(row.posting)
            case _:
                pass
    return frozen


async def _charges(held: Reads, closed: ClosedPeriod) -> AsyncIterator[Charge]:
    async for row in held.frozen_rows(closed):
        if isinstance(row, FrozenCharge):
            yield row.charge


def _lines(costs: Sequence[FrozenCost], by: CostsBy, people: People) -> tuple[Costs, ...]:
    """Names are those of the lists of then: an erasure takes them out there."""
    lines = [
        Costs(one.who, dict(one.pages), bill_of(one), one.person, people.name_of(Who(one.person, "")))
        for one in costs
        if one.by == by
    ]
    return tuple(sorted(lines, key=lambda one: (one.who, one.person)))


def bill_of(one: FrozenCost) -> Bill:
    return Bill(dict(one.exact), dict(one.unpriced))
