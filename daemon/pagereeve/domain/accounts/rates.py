"""What pages cost: rate cards with dates. Prices are exact decimals; what leaves is whole minor units of a currency.

Money is worked out of the ledger's pages when somebody asks, and never enters the ledger. **One rounding stage**: the
exact amounts of one line (a person's, a cost centre's) are added up and rounded once, half up; what that leaves over is
shown beside it. Rounding each release would make 7 pages at 0.025 cost 0.21 instead of 0.18 (odoo/odoo#37896,
invoiceninja/invoiceninja#4370).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Context, Decimal
from itertools import combinations
from typing import Final, Literal

Sides = Literal["one-sided", "two-sided"]
Size = Literal["large", "small"]

_WHOLE: Final = ("BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI", "VND", "VUV")
_WHOLE_FRANCS: Final = ("XAF", "XOF", "XPF")
_THOUSANDTHS: Final = ("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND")
MINOR_DIGITS: Final = {
    **dict.fromkeys((*_WHOLE, *_WHOLE_FRANCS), 0),
    **dict.fromkeys(_THOUSANDTHS, 3),
    **dict.fromkeys(("CLF", "UYW"), 4),
}
"""How many digits a currency's minor unit has, where it is not 2 (ISO 4217, list one; from memory)."""
USUAL_DIGITS: Final = 2
# Far beyond a million releases of ten million pages at a price of six digits: no sum of ours is ever rounded by it.
_EXACT: Final = Context(prec=60)


@dataclass(frozen=True, slots=True)
class PricedPages:
    """Pages charged for one release in one channel. None where the ticket does not say."""

    channel: str
    pages: int
    at_us: int
    price_class: str = ""
    sides: Sides | None = None
    size: Size | None = None


@dataclass(frozen=True, slots=True)
class Rate:
    """``price`` for each page of the channel, in the currency's major unit. A condition that is None holds always;
    one that is given holds only where the pages are known to meet it.
    """

    channel: str
    price: Decimal
    price_class: str | None = None
    sides: Sides | None = None
    size: Size | None = None

    @property
    def conditions(self) -> tuple[tuple[str, str], ...]:
        named = (("price_class", self.price_class), ("sides", self.sides), ("size", self.size))
        return tuple((name, value) for name, value in named if value is not None)

    def holds_for(self, pages: PricedPages) -> bool:
        return self.channel == pages.channel and all(getattr(pages, name) == value for name, value in self.conditions)

    def may_meet(self, other: Rate) -> bool:
        """Pages may exist for which both hold."""
        wanted = dict(other.conditions)
        return self.channel == other.channel and all(
            wanted.get(name, value) == value for name, value in self.conditions
        )


@dataclass(frozen=True, slots=True)
class RateCard:
    """Holds from ``from_us`` on and before ``until_us``. Of rates that hold the one with most conditions is meant."""

    name: str
    currency: str
    from_us: int
    rates: tuple[Rate, ...]
    until_us: int | None = None

    def holds_at(self, at_us: int) -> bool:
        return self.from_us <= at_us and (self.until_us is None or at_us < self.until_us)

    def rate_for(self, pages: PricedPages) -> Rate | None:
        known = [rate for rate in self.rates if rate.holds_for(pages)]
        return max(known, key=lambda rate: len(rate.conditions), default=None)

    def quarrels(self) -> list[tuple[Rate, Rate]]:
        """Pairs of rates of which nobody could say which is meant: both may hold, and neither says more."""
        return [
            (one, other)
            for one, other in combinations(self.rates, 2)
            if len(one.conditions) == len(other.conditions) and one.may_meet(other)
        ]


@dataclass(frozen=True, slots=True)
class Amount:
    """``minor`` whole minor units; ``remainder`` is the exact amount less these, in major units: it may be below 0."""

    currency: str
    minor: int
    remainder: Decimal

    @property
    def text(self) -> str:
        """In major units with all digits of the currency: ``0.18``, ``-3``."""
        return f"{Decimal(self.minor).scaleb(-digits_of(self.currency)):f}"


@dataclass(slots=True)
class Bill:
    """Adds up one line's amounts, exactly, and rounds once. ``unpriced`` pages had no rate: they are no pages at 0;
    by channel, as one channel's pages may be a part of another's.
    """

    exact: dict[str, Decimal] = field(default_factory=dict)
    unpriced: dict[str, int] = field(default_factory=dict)

    def leave(self, channel: str, pages: int) -> None:
        """They have no price."""
        self.unpriced[channel] = self.unpriced.get(channel, 0) + pages

    def add(self, currency: str, amount: Decimal) -> None:
        self.exact[currency] = _EXACT.add(self.exact.get(currency, Decimal()), amount)

    def merge(self, other: Bill) -> None:
        for currency, amount in other.exact.items():
            self.add(currency, amount)
        for channel, pages in other.unpriced.items():
            self.leave(channel, pages)

    def amounts(self) -> tuple[Amount, ...]:
        """One for each currency, in order of its code. Different currencies are never added up."""
        return tuple(rounded(currency, exact) for currency, exact in sorted(self.exact.items()))


class Rates:
    """Cards in the order of their dates. Of two cards that hold at one instant the one that began later is meant."""

    def __init__(self, cards: Iterable[RateCard] = ()) -> None:
        self._cards = sorted(cards, key=lambda card: (card.from_us, card.name), reverse=True)

    def __bool__(self) -> bool:
        return bool(self._cards)

    def card_at(self, at_us: int) -> RateCard | None:
        return next((one for one in self._cards if one.holds_at(at_us)), None)

    def cards_within(self, from_us: int, to_us: int) -> tuple[RateCard, ...]:
        """Those that hold at some instant in [from_us, to_us), in order of their dates."""
        held = (one for one in self._cards if one.from_us < to_us and (one.until_us is None or from_us < one.until_us))
        return tuple(sorted(held, key=lambda card: (card.from_us, card.name)))

    def priced_channels(self) -> frozenset[str]:
        return frozenset(rate.channel for card in self._cards for rate in card.rates)

    @property
    def asks_for_tickets(self) -> bool:
        """Some price hangs on what the ticket says."""
        return any(rate.sides is not None or rate.size is not None for card in self._cards for rate in card.rates)

    def charge(self, bill: Bill, pages: PricedPages) -> None:
        """Add what these pages cost to the bill. A channel that no rate of the card names is no further cost: its pages
        are a part of another's (colour pages of a total); pages of a named one that no rate fits are told.
        """
        card = self.card_at(pages.at_us)
        if card is None:
            if pages.channel in self.priced_channels():
                bill.leave(pages.channel, pages.pages)
            return
        if all(rate.channel != pages.channel for rate in card.rates):
            return
        rate = card.rate_for(pages)
        if rate is None:
            bill.leave(pages.channel, pages.pages)
        else:
            bill.add(card.currency, _EXACT.multiply(rate.price, Decimal(pages.pages)))


def rounded(currency: str, exact: Decimal) -> Amount:
    """The one rounding stage: half up, away from zero, so that a correction of -x undoes x."""
    digits = digits_of(currency)
    whole = exact.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP, context=_EXACT)
    return Amount(currency, int(whole.scaleb(digits)), _EXACT.subtract(exact, whole))


def total_of(amounts: Sequence[Amount], currency: str) -> Amount:
    """The sum of lines that were rounded, and the sum of what rounding left over: what was billed, and what was not."""
    own = [one for one in amounts if one.currency == currency]
    left = Decimal()
    for one in own:
        left = _EXACT.add(left, one.remainder)
    return Amount(currency, sum(one.minor for one in own), left)


def digits_of(currency: str) -> int:
    return MINOR_DIGITS.get(currency, USUAL_DIGITS)
