"""Answers that a close freezes beside its rows, as their grounds go on changing: causes of losses, and costs."""

from __future__ import annotations

from collections.abc import AsyncIterator

from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.domain.accounts.frozen_answers import AnswerKind, FrozenAnswers, FrozenCard, FrozenCost, FrozenLoss
from pagereeve.domain.accounts.periods import Period
from pagereeve.ports.reads import Reads
from pagereeve.queries.costs import COSTS_BY, Prices, costs_each
from pagereeve.queries.losses import pages_lost
from pagereeve.queries.page_decisions import decided_in
from pagereeve.queries.people import people_of


async def answer_rows(held: Reads, period: Period, prices: Prices | None) -> AsyncIterator[FrozenRow]:
    """They come before all others; ``held`` is of one moment. Without prices no costs are frozen."""
    priced = prices if prices is not None and prices.rates else None
    kinds: tuple[AnswerKind, ...] = ("causes",) if priced is None else ("causes", "prices")
    yield FrozenAnswers(kinds)
    for key, pages in sorted((await pages_lost(held, period)).items()):
        if pages:
            yield FrozenLoss(key, pages)
    if priced is not None:
        async for row in _costs(held, period, priced):
            yield row


async def _costs(held: Reads, period: Period, prices: Prices) -> AsyncIterator[FrozenRow]:
    for card in prices.rates.cards_within(period.from_us, period.to_us):
        yield FrozenCard(card)
    charges = held.charges(period.from_us, period.to_us)
    people, decided = await people_of(held), await decided_in(held, period)
    for by, lines in (await costs_each(held, charges, decided, COSTS_BY, people, prices)).items():
        for line in lines:
            yield FrozenCost(by, line.who, line.person, line.pages, line.bill.exact, line.bill.unpriced)
