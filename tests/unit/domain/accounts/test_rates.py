"""Prices: worked values from public reports beside their source, and the laws of one rounding stage."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.accounts.rates import Amount, Bill, PricedPages, Rate, RateCard, Rates, rounded, total_of

MONO = Rate("total", Decimal("0.025"))
CARD = RateCard("2026", "EUR", 0, (MONO,))


def bill_of(rates: Rates, *pages: PricedPages) -> Bill:
    bill = Bill()
    for one in pages:
        rates.charge(bill, one)
    return bill


def test_seven_pages_at_0_025_cost_0_18_however_they_are_spread_over_releases() -> None:
    """odoo/odoo#37896, invoiceninja/invoiceninja#4370: rounded line by line, half up, they would cost 0.21."""
    singly = bill_of(Rates([CARD]), *[PricedPages("total", 1, 5)] * 7).amounts()
    at_once = bill_of(Rates([CARD]), PricedPages("total", 7, 5)).amounts()
    assert singly == at_once == (Amount("EUR", 18, Decimal("-0.005")),)
    assert singly[0].text == "0.18"


@pytest.mark.parametrize(
    ("currency", "exact", "minor", "text"),
    [
        ("EUR", "6527.805", 652781, "6527.81"),
        ("EUR", "-6527.805", -652781, "-6527.81"),
        ("JPY", "12.5", 13, "13"),
        ("KWD", "0.0125", 13, "0.013"),
        ("CLF", "1.00005", 10001, "1.0001"),
        ("EUR", "0", 0, "0.00"),
        ("EUR", "-0.004", 0, "0.00"),
    ],
)
def test_minor_units_of_currencies(currency: str, exact: str, minor: int, text: str) -> None:
    amount = rounded(currency, Decimal(exact))
    assert (amount.minor, amount.text) == (minor, text)


def test_the_rate_with_most_conditions_is_meant_and_only_where_they_are_known_to_hold() -> None:
    rates = (
        MONO,
        Rate("total", Decimal("0.02"), sides="two-sided"),
        Rate("total", Decimal("0.09"), price_class="plotter", size="large"),
        Rate("colour", Decimal("0.1")),
    )
    card = RateCard("2026", "EUR", 0, rates)

    def price(channel: str = "total", **said: str) -> Decimal | None:
        rate = card.rate_for(PricedPages(channel, 1, 0, **said))  # type: ignore[arg-type]
        return None if rate is None else rate.price

    assert price() == Decimal("0.025")
    assert price(sides="two-sided") == Decimal("0.02")
    assert price(price_class="plotter", sides="two-sided") == Decimal("0.02")
    assert price(price_class="plotter", size="large", sides="two-sided") == Decimal("0.09")
    assert price("colour") == Decimal("0.1")
    assert price("sheets") is None


def test_two_rates_of_which_nobody_could_say_which_is_meant() -> None:
    by_sides, by_size = Rate("total", Decimal(1), sides="two-sided"), Rate("total", Decimal(2), size="large")
    apart = Rate("total", Decimal(3), sides="one-sided")
    card = RateCard("2026", "EUR", 0, (by_sides, by_size, apart))
    assert card.quarrels() == [(by_sides, by_size), (by_size, apart)]
    assert RateCard("2026", "EUR", 0, (MONO, by_sides, apart)).quarrels() == []
    assert RateCard("2026", "EUR", 0, (MONO, MONO)).quarrels() == [(MONO, MONO)]


def test_pages_go_by_the_card_of_their_own_instant() -> None:
    dearer = RateCard("from March", "EUR", 100, (Rate("total", Decimal("0.05")),), until_us=200)
    rates = Rates([CARD, dearer])
    bill = bill_of(rates, *(PricedPages("total", 10, at_us) for at_us in (99, 100, 199, 200)))
    assert bill.amounts() == (Amount("EUR", 150, Decimal("0.000")),)


def test_pages_without_a_rate_are_told_and_not_given_away() -> None:
    early = RateCard("2026", "EUR", 100, (Rate("total", Decimal(1), size="large"), Rate("colour", Decimal(2))))
    bill = bill_of(
        Rates([early]),
        PricedPages("total", 3, 99),
        PricedPages("total", 4, 100, size="small"),
        PricedPages("total", 5, 100),
        PricedPages("sheets", 6, 100),
        PricedPages("colour", 7, 100),
    )
    assert bill.unpriced == {"total": 3 + 4 + 5}
    assert [one.text for one in bill.amounts()] == ["14.00"]


def test_currencies_are_never_added_up() -> None:
    francs = RateCard("2027", "CHF", 100, (Rate("total", Decimal("0.10")),))
    amounts = bill_of(Rates([CARD, francs]), PricedPages("total", 4, 0), PricedPages("total", 4, 100)).amounts()
    assert [(one.currency, one.text) for one in amounts] == [("CHF", "0.40"), ("EUR", "0.10")]


exact_prices = st.decimals(min_value=0, max_value=1000, places=6, allow_nan=False)
lines = st.lists(st.lists(st.tuples(exact_prices, st.integers(-10_000, 10_000_000)), max_size=8), max_size=6)


@given(lines, st.sampled_from(["EUR", "JPY", "KWD", "CLF"]))
def test_what_is_billed_and_what_rounding_left_over_are_the_exact_sum(
    of_lines: list[list[tuple[Decimal, int]]], currency: str
) -> None:
    """Judged by the standard library's rational numbers, which never round."""
    amounts: list[Amount] = []
    for of_line in of_lines:
        bill = Bill()
        for price, pages in of_line:
            Rates([RateCard("x", currency, 0, (Rate("total", price),))]).charge(bill, PricedPages("total", pages, 0))
        amounts += bill.amounts()
    sum_ = total_of(amounts, currency)
    exact = sum((Fraction(price) * pages for of_line in of_lines for price, pages in of_line), Fraction())
    assert Fraction(sum_.text) + Fraction(sum_.remainder) == exact
    half = Fraction(1, 2) / 10 ** (len(sum_.text.partition(".")[2]))
    assert all(abs(Fraction(one.remainder)) <= half for one in amounts)
