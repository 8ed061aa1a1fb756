"""What pages cost, as a table, CSV and JSON. Pages first: amounts are worked out of them, and never the other way."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import zip_longest
from typing import Any, Final

from rich.table import Table

from pagereeve.domain.accounts.rates import Amount, RateCard
from pagereeve.domain.values.amounts import Figure
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.visible import visible
from pagereeve.queries.costs import Costs, CostsAnswer
from pagereeve.reports.as_closed import as_closed_json
from pagereeve.reports.exports.columns import Value
from pagereeve.reports.exports.csv_file import CsvForm, csv_table
from pagereeve.reports.text import plain

NONE_SHOWN: Final = "(none)"
COLUMNS: Final = ("currency", "amount", "minor_units", "left_over", "unpriced_channel", "unpriced_pages")
LEGEND: Final = (
    "amount: exact prices of all pages of a line, added up and rounded once, half up\n"
    "left over: the exact amount less the rounded one; no price: pages that no price fits, and that are in no amount"
)


def costs_table(answer: CostsAnswer) -> Table:
    table = Table(caption=LEGEND)
    table.add_column(answer.by.replace("-", " "))
    table.add_column("pages")
    for heading in ("currency", "amount", "left over", "no price"):
        table.add_column(heading, justify="right")
    for line in answer.lines:
        for amount, unpriced in _rows(line.bill.amounts(), line.bill.unpriced):
            table.add_row(plain(_shown(line)), channel_pages_text(line.pages), *_amount(amount), _unpriced(unpriced))
    for amount, unpriced in _rows(answer.totals(), answer.unpriced):
        table.add_row("TOTAL", "", *_amount(amount), _unpriced(unpriced))
    return table


def costs_csv(answer: CostsAnswer, form: CsvForm) -> str:
    """People, cost centres or printers, then totals; amounts in whole minor units too. Each amount, and each channel's
    pages without a price, stand in one row of a line: every column adds up to its totals.
    """
    rows: list[list[Value | Decimal]] = [
        [
            *("line", line.who or NONE_SHOWN),
            *_name_cells(answer, line),
            *_cells(amount),
            *(unpriced or (None, None)),
        ]
        for line in answer.lines
        for amount, unpriced in _rows(line.bill.amounts(), line.bill.unpriced)
    ]
    rows += [
        ["total", None, *_name_cells(answer), *_cells(amount), *(unpriced or (None, None))]
        for amount, unpriced in _rows(answer.totals(), answer.unpriced)
    ]
    names = ("name", "id") if answer.by == "person" else ()
    return csv_table(("kind", answer.by.replace("-", "_"), *names, *COLUMNS), rows, form)


def costs_json(answer: CostsAnswer) -> dict[str, Any]:
    return {
        "by": answer.by,
        "lines": [
            {
                answer.by.replace("-", "_"): line.who or None,
                **({"id": line.person or None, "name": line.name or None} if answer.by == "person" else {}),
                "pages": dict(sorted(line.pages.items())),
                "amounts": [amount_json(one) for one in line.bill.amounts()],
                "unpriced_pages": dict(sorted(line.bill.unpriced.items())),
            }
            for line in answer.lines
        ],
        "totals": [amount_json(one) for one in answer.totals()],
        "unpriced_pages": answer.unpriced,
        "cards": [card_json(one) for one in answer.cards],
        **as_closed_json(answer.as_closed),
    }


def card_json(card: RateCard) -> dict[str, Any]:
    """Prices are exact texts, in the currency's major unit."""
    return {
        "name": card.name,
        "currency": card.currency,
        "from": to_text(card.from_us),
        "until": None if card.until_us is None else to_text(card.until_us),
        "prices": [{"channel": one.channel, "price": f"{one.price:f}", **dict(one.conditions)} for one in card.rates],
    }


def cards_line(answer: CostsAnswer) -> str:
    """Which rates were used."""
    closed = answer.as_closed
    frozen = closed is not None and "prices" not in closed.lacks
    named = ", ".join(f"{visible(one.name)} ({one.currency})" for one in answer.cards) or "none holds in this period"
    return f"Rate cards {'as they were frozen' if frozen else 'of the settings of today'}: {named}."


def channel_pages_text(pages: Mapping[str, int], figure: Figure = str) -> str:
    return ", ".join(f"{figure(number)} {channel}" for channel, number in sorted(pages.items()))


def _shown(line: Costs) -> str:
    return f"{line.name} ({line.who})" if line.name else line.who or NONE_SHOWN


def _name_cells(answer: CostsAnswer, line: Costs | None = None) -> list[Value | Decimal]:
    """By person, the name and the id, where a list gives them."""
    if answer.by != "person":
        return []
    return [None, None] if line is None else [line.name or None, line.person or None]


def _rows(
    amounts: Sequence[Amount], unpriced: Mapping[str, int]
) -> Iterator[tuple[Amount | None, tuple[str, int] | None]]:
    return zip_longest(amounts, sorted(unpriced.items()))


def _unpriced(channel: tuple[str, int] | None) -> str:
    return "" if channel is None else channel_pages_text(dict([channel]))


def _amount(amount: Amount | None) -> tuple[str, str, str]:
    return ("", "", "") if amount is None else (amount.currency, amount.text, f"{amount.remainder:f}")


def _cells(amount: Amount | None) -> list[Value | Decimal]:
    if amount is None:
        return [None, None, None, None]
    return [amount.currency, Decimal(amount.text), amount.minor, amount.remainder]


def amount_json(one: Amount) -> dict[str, Any]:
    return {
        "currency": one.currency,
        "amount": one.text,
        "minor_units": one.minor,
        "left_over": f"{one.remainder:f}",
    }
