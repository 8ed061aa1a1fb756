"""What a close freezes of answers that the other frozen rows can't give again: causes of losses, prices, costs.

A cause rests on findings, and costs on rate cards: both go on changing. ``FrozenAnswers`` says which of them a close
froze, so that none of a kind is not taken for nothing of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from pagereeve.domain.accounts.losses import LossKey
from pagereeve.domain.accounts.rates import RateCard

AnswerKind = Literal["causes", "prices"]
CostsBy = Literal["person", "cost-centre", "printer"]


@dataclass(frozen=True, slots=True)
class FrozenAnswers:
    """In order of name, each once."""

    kinds: tuple[AnswerKind, ...]


@dataclass(frozen=True, slots=True)
class FrozenLoss:
    """Pages of a house account, or unproven ones, with what they came of as it was known then."""

    key: LossKey
    pages: int


@dataclass(frozen=True, slots=True)
class FrozenCard:
    """A rate card that held at some instant of the period."""

    card: RateCard


@dataclass(frozen=True, slots=True)
class FrozenCost:
    """What pages cost by the cards of then: ``who`` is a login, a cost centre or a printer, ``person`` an id or "".

    ``pages`` and ``unpriced`` by channel, ``exact`` amounts by currency, before they are rounded.
    """

    by: CostsBy
    who: str
    person: str
    pages: Mapping[str, int]
    exact: Mapping[str, Decimal]
    unpriced: Mapping[str, int]


FrozenAnswer = FrozenAnswers | FrozenLoss | FrozenCard | FrozenCost
