"""[[rates]] in a settings file: prices, dates, and what is refused."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.rates import PricedPages, Rate
from pagereeve.domain.values.instants import from_text
from pagereeve.settings import load_settings
from pagereeve.settings.rates import rates_of
from tests.unit.settings.test_site import problems, written

CARD = '[[rates]]\nname = "2026"\ncurrency = "EUR"\nfrom = "2026-10-25"\n'
PRICES = 'prices = [{{ channel = "total", price = "0.025" }}{}]\n'


def test_a_card_holds_from_the_sites_own_midnight(tmp_path: Path) -> None:
    settings = load_settings(written(tmp_path, CARD + PRICES.format(', { channel = "colour", price = "0.1" }')), {})
    rates = rates_of(settings.rates, ZoneInfo("Europe/Berlin"))
    midnight = from_text("2026-10-24T22:00:00Z", "")
    assert rates.card_at(midnight - 1) is None
    card = rates.card_at(midnight)
    assert card is not None
    assert card.rate_for(PricedPages("colour", 1, midnight)) == Rate("colour", Decimal("0.1"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (CARD + "prices = []\n", "hold no price"),
        (CARD + "prices = [{ price = 0.025 }]\n", "is no price"),
        (CARD + 'prices = [{ price = "-1" }]\n', "is no price"),
        (CARD + 'prices = [{ price = "0,025" }]\n', "is no price"),
        (CARD + PRICES.format(', { channel = "total", price = "1" }'), "two prices may hold for the same pages"),
        (CARD + 'until = "2026-10-25"\n' + PRICES.format(""), "does not come after from"),
        (CARD.replace("EUR", "euro") + PRICES.format(""), "currency"),
        (CARD + PRICES.format("") + CARD.replace("10-25", "10-26") + PRICES.format(""), "is the same as that of"),
        (
            CARD + PRICES.format("") + CARD.replace('"2026"', '"b"') + PRICES.format(""),
            "as that of '2026'; put the prices",
        ),
        (CARD.replace("2026-10-25", "0001-01-01") + PRICES.format(""), "years 1970 to 9998 are known"),
        (CARD + 'until = "9999-12-31"\n' + PRICES.format(""), "years 1970 to 9998 are known"),
        (CARD + PRICES.format(', { price = "1", price_class = "ploter" }'), "no printer has price_class = 'ploter'"),
    ],
)
def test_what_is_wrong_with_a_card_is_named_with_its_place(tmp_path: Path, text: str, said: str) -> None:
    (problem,) = problems(tmp_path, text)
    assert said in problem
    assert "[[rates]]" in problem
