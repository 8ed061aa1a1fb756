"""Answers that a close freezes beside its rows, as their grounds go on changing: causes of losses, and costs."""

from __future__ import annotations

from collections.abc import AsyncIterator

from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.domain.accounts.frozen_answers import AnswerKind, FrozenAnswers, FrozenCard, FrozenCost, FrozenLoss
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.ledger import Charge
from pagereeve.ports.reads import Reads
from pagereeve.queries.costs import COSTS_BY, Prices, costs_each
from pagereeve.queries.losses import LostPages
from pagereeve.queries.page_decisions import decided_in
from pagereeve.queries.people import people_of


async def answer_rows(held: Reads, period: Period, prices: Prices | None) -> AsyncIterator[FrozenRow]:
    """They come before all others; ``held`` is of one moment. Without prices no costs are frozen.

    The period's charges are gone through once.
    """
    priced = prices if prices is not None and prices.rates else None
    kinds: tuple[AnswerKind, ...] = ("causes",) if priced is None else ("causes", "prices")
    yield FrozenAnswers(kinds)
    lost = await LostPages.of_house(held, period)
    charges = _counted(held.charges(period.from_us, period.to_us), lost)
    costs: list[FrozenRow] = []
    if priced is None:
        async for _ in charges:
            pass
    else:
        costs = await _costs(held, period, charges, priced)
    for key, pages in sorted(lost.pages.items()):
        if pages:
            yield FrozenLoss(key, pages)
    for row in costs:
        yield row


async def _counted(charges: AsyncIterator[Charge], lost: LostPages) -> AsyncIterator[Charge]:
    async for charge in charges:
        lost.add(charge)
        yield charge


async def _costs(held: Reads, period: Period, charges: AsyncIterator[Charge], prices: Prices) -> list[FrozenRow]:
    """In proportion to the people, cost centres and printers."""
    rows: list[FrozenRow] = [FrozenCard(card) for card in prices.rates.cards_within(period.from_us, period.to_us)]
    people, decided = await people_of(held), await decided_in(held, period)
    for by, lines in (await costs_each(held, charges, decided, COSTS_BY, people, prices)).items():
        rows += [FrozenCost(by, one.who, one.person, one.pages, one.bill.exact, one.bill.unpriced) for one in lines]
    return rows
