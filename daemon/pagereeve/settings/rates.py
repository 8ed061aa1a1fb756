"""[[rates]]: what a page costs, from when. Prices are texts, so that none is a binary fraction."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Annotated, Any, Final, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema, model_validator

from pagereeve.domain.accounts.periods import day_begins_us
from pagereeve.domain.accounts.rates import Rate, RateCard, Rates, Sides, Size
from pagereeve.meters.discovery.profile import ChannelName
from pagereeve.ports.setting_types import Checked, Name, Section
from pagereeve.settings.crosschecks import repeated_names
from pagereeve.settings.places import Entry, EntryProblem, member
from pagereeve.settings.site import LocalDate
from pagereeve.settings.suggestions import Known

_PRICE: Final = re.compile(r"[0-9]{1,6}(\.[0-9]{1,6})?", re.ASCII)
_PRICE_TEXT: Final = f"^{_PRICE.pattern}$"


def _price(value: Any) -> Any:
    if not isinstance(value, str) or not _PRICE.fullmatch(value):
        raise ValueError('is no price; write it as text with a point and at most six digits behind it, as "0.025"')
    return Decimal(value)


Price = Annotated[Decimal, BeforeValidator(_price), WithJsonSchema({"type": "string", "pattern": _PRICE_TEXT})]
PriceClass = Annotated[str, Field(max_length=64), AfterValidator(str.strip)]


class PriceSettings(Section):
    """One price of a card, for each page of ``channel`` that meets the conditions that are given."""

    channel: ChannelName = "total"
    price: Price
    price_class: PriceClass | None = None
    sides: Sides | None = None
    size: Size | None = None

    def to_rate(self) -> Rate:
        return Rate(self.channel, self.price, self.price_class, self.sides, self.size)


def _some(prices: tuple[PriceSettings, ...]) -> tuple[PriceSettings, ...]:
    # Pydantic's min_length would count those alone that are sound, and complain a second time.
    if not prices:
        raise ValueError("hold no price; write one, or take the card out")
    return prices


class RateSettings(Section):
    """One of [[rates]]: a card, from a local date on and before another."""

    name: Name
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")]
    from_: LocalDate = Field(alias="from")
    until: LocalDate | None = None
    prices: Annotated[tuple[PriceSettings, ...], Field(max_length=1_000), Checked(_some, {"minItems": 1})]

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.until is not None and self.until <= self.from_:
            raise ValueError(f"until ({self.until}) does not come after from ({self.from_}); it is not included")
        quarrels = self.card(ZoneInfo("UTC")).quarrels()
        if quarrels:
            one, other = (_text_of(rate) for rate in quarrels[0])
            text = f"two prices may hold for the same pages ({one}; {other}); give one of them a condition more"
            raise ValueError(text)
        return self

    def card(self, zone: ZoneInfo) -> RateCard:
        until_us = None if self.until is None else day_begins_us(self.until, zone)
        rates = tuple(one.to_rate() for one in self.prices)
        return RateCard(self.name, self.currency, day_begins_us(self.from_, zone), rates, until_us)


def rates_of(cards: Iterable[RateSettings], zone: ZoneInfo) -> Rates:
    return Rates(card.card(zone) for card in cards)


def rate_problems(cards: Sequence[Any], printers: Sequence[Any]) -> list[EntryProblem]:
    """As crosschecks: names are unique, and a class that a price names is some printer's. Takes raw tables too."""
    known = Known(text for row in printers if isinstance(text := member(row, "price_class"), str) and text)
    problems = repeated_names("rates", cards) + _equal_beginnings(cards)
    for index, card in enumerate(cards):
        prices = member(card, "prices")
        for price in prices if isinstance(prices, Sequence) and not isinstance(prices, str) else ():
            text = member(price, "price_class")
            if isinstance(text, str) and text not in known:
                said = f"no printer has price_class = {text[:64]!r}{known.nearest_to(text)}"
                problems.append(EntryProblem(Entry("rates", index), "price_class", said))
    return problems


def _equal_beginnings(cards: Sequence[Any]) -> list[EntryProblem]:
    """Of two cards that hold, the one that began later is meant; of two that began together nobody could say."""
    known: dict[str, int] = {}
    problems: list[EntryProblem] = []
    for index, card in enumerate(cards):
        begins = member(card, "from_") or member(card, "from")
        first = known.setdefault(str(begins), index)
        if begins is not None and first != index:
            said = f"is the same as that of {member(cards[first], 'name')!r}; put the prices into one card"
            problems.append(EntryProblem(Entry("rates", index), "from", said))
    return problems


def _text_of(rate: Rate) -> str:
    return ", ".join([f"{rate.channel} at {rate.price}", *(f"{name} {value}" for name, value in rate.conditions)])
