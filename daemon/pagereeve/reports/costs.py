"""What pages cost, as a table, CSV and JSON. Pages first: amounts are worked out of them, and never the other way."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from typing import Any, Final

from rich.table import Table

from pagereeve.domain.accounts.rates import Amount
from pagereeve.queries.costs import Costs, CostsAnswer
from pagereeve.reports.exports.columns import Value
from pagereeve.reports.exports.csv_file import DELIMITERS, CsvForm
from pagereeve.reports.text import BOM, plain

NONE_SHOWN: Final = "(none)"
COLUMNS: Final = ("currency", "amount", "minor_units", "left_over", "unpriced_pages")
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
        for amount in line.bill.amounts() or (None,):
            table.add_row(plain(_shown(line)), _pages(line), *_amount(amount), str(line.bill.unpriced))
    for amount in answer.totals():
        table.add_row("TOTAL", "", *_amount(amount), "")
    return table


def costs_csv(answer: CostsAnswer, form: CsvForm) -> str:
    """People, cost centres or printers, then a row for each currency's total; amounts in whole minor units too."""
    rows: list[list[Value | Decimal]] = [
        ["line", line.who or NONE_SHOWN, *_name_cells(answer, line), *_cells(amount), line.bill.unpriced]
        for line in answer.lines
        for amount in line.bill.amounts() or (None,)
    ]
    rows += [["total", None, *_name_cells(answer), *_cells(amount), answer.unpriced] for amount in answer.totals()]
    buffer = io.StringIO()
    buffer.write(BOM if form.bom else "")
    writer = csv.writer(buffer, delimiter=DELIMITERS[form.delimiter])
    names = ("name", "id") if answer.by == "person" else ()
    writer.writerow(("kind", answer.by.replace("-", "_"), *names, *COLUMNS))
    writer.writerows([form.cell(value) for value in row] for row in rows)
    return buffer.getvalue()


def costs_json(answer: CostsAnswer) -> dict[str, Any]:
    return {
        "by": answer.by,
        "lines": [
            {
                answer.by.replace("-", "_"): line.who or None,
                **({"id": line.person or None, "name": line.name or None} if answer.by == "person" else {}),
                "pages": dict(sorted(line.pages.items())),
                "amounts": [_amount_json(one) for one in line.bill.amounts()],
                "unpriced_pages": line.bill.unpriced,
            }
            for line in answer.lines
        ],
        "totals": [_amount_json(one) for one in answer.totals()],
        "unpriced_pages": answer.unpriced,
    }


def _shown(line: Costs) -> str:
    return f"{line.name} ({line.who})" if line.name else line.who or NONE_SHOWN


def _name_cells(answer: CostsAnswer, line: Costs | None = None) -> list[Value | Decimal]:
    """By person, the name and the id, where a list gives them."""
    if answer.by != "person":
        return []
    return [None, None] if line is None else [line.name or None, line.person or None]


def _pages(line: Costs) -> str:
    return ", ".join(f"{pages} {channel}" for channel, pages in sorted(line.pages.items()))


def _amount(amount: Amount | None) -> tuple[str, str, str]:
    return ("", "", "") if amount is None else (amount.currency, amount.text, f"{amount.remainder:f}")


def _cells(amount: Amount | None) -> list[Value | Decimal]:
    if amount is None:
        return [None, None, None, None]
    return [amount.currency, Decimal(amount.text), amount.minor, amount.remainder]


def _amount_json(one: Amount) -> dict[str, Any]:
    return {
        "currency": one.currency,
        "amount": one.text,
        "minor_units": one.minor,
        "left_over": f"{one.remainder:f}",
    }
