"""Frozen answers as members of canonical JSON lines, and back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any, Final, assert_never

from pagereeve.domain.accounts.frozen_answers import (
    FrozenAnswer,
    FrozenAnswers,
    FrozenCard,
    FrozenCost,
    FrozenLoss,
)
from pagereeve.domain.accounts.losses import Cause, LossKey
from pagereeve.domain.accounts.rates import Rate, RateCard


def answer_members(row: FrozenAnswer) -> dict[str, Any]:
    match row:
        case FrozenAnswers():
            return {"row": "answers", "kinds": list(row.kinds)}
        case FrozenLoss():
            key = row.key
            members = {name: getattr(key, name) for name in ("printer", "channel", "unit", "account")}
            cause = {"known_from": key.cause.known_from, "cause": key.cause.name}
            return {"row": "loss", **members, **cause, "pages": row.pages}
        case FrozenCard():
            return _card_members(row.card)
        case FrozenCost():
            members = {name: getattr(row, name) for name in ("by", "who", "person")}
            sums = {name: dict(getattr(row, name)) for name in ("pages", "unpriced")}
            exact = {currency: f"{amount:f}" for currency, amount in row.exact.items()}
            return {"row": "cost", **members, **sums, "exact": exact}
    assert_never(row)


def _card_members(card: RateCard) -> dict[str, Any]:
    rates = [
        {"channel": one.channel, "price": f"{one.price:f}", "price_class": one.price_class}
        | {"sides": one.sides, "size": one.size}
        for one in card.rates
    ]
    dates = {"from_us": card.from_us, "until_us": card.until_us}
    return {"row": "card", "name": card.name, "currency": card.currency, **dates, "rates": rates}


def _card_of(members: dict[str, Any]) -> FrozenCard:
    rates = tuple(Rate(**{**one, "price": Decimal(one["price"])}) for one in members.pop("rates"))
    return FrozenCard(RateCard(**members, rates=rates))


def _loss_of(members: dict[str, Any]) -> FrozenLoss:
    cause, pages = Cause(members.pop("known_from"), members.pop("cause")), members.pop("pages")
    return FrozenLoss(LossKey(**members, cause=cause), pages)


def _cost_of(members: dict[str, Any]) -> FrozenCost:
    exact = {currency: Decimal(amount) for currency, amount in members.pop("exact").items()}
    return FrozenCost(**members, exact=exact)


ANSWERS_MADE: Final[Mapping[str, Callable[[dict[str, Any]], FrozenAnswer]]] = {
    "answers": lambda members: FrozenAnswers(tuple(members["kinds"])),
    "loss": _loss_of,
    "card": _card_of,
    "cost": _cost_of,
}
