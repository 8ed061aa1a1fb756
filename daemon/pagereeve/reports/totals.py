"""Totals as CSV, JSON and a table for people."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from rich.table import Table

from pagereeve.domain.accounts.periods import ALWAYS_US, Period, local_text
from pagereeve.domain.accounts.printer_accounts import PrinterAccounts
from pagereeve.domain.accounts.totals import By, Total
from pagereeve.domain.ledger import ACCOUNT_KINDS
from pagereeve.domain.values.instants import to_text
from pagereeve.reports.csv_text import Cell, csv_text
from pagereeve.reports.plain_text import plain

NONE_SHOWN: Final = "(none)"
UNKNOWN_SHOWN: Final = "?"
VERDICTS: Final = ("agrees", "surplus", "shortfall", "unproven", "open")
COLUMNS: Final = (
    "channel",
    "unit",
    "billed",
    "releases",
    "released",
    "released_unknown",
    "counted",
    "counted_unknown",
    "charged",
    "unproven",
    *(f"verdict_{verdict}" for verdict in VERDICTS),
)


def totals_csv(by: By, lines: Sequence[Total], *, bom: bool = False) -> str:
    """One line for each total, nothing else: the file stays rectangular. An empty figure is unknown."""
    return csv_text((by.replace("-", "_"), *COLUMNS), (_row(line) for line in lines), bom=bom)


def _row(line: Total) -> list[Cell]:
    return [
        line.who or NONE_SHOWN,
        line.channel,
        line.unit,
        "yes" if line.billed else "no",
        line.releases,
        line.released.pages,
        line.released.unknown,
        line.counted.pages,
        line.counted.unknown,
        line.charged,
        line.unproven,
        *(line.verdicts[verdict] for verdict in VERDICTS),
    ]


def total_json(by: By, line: Total) -> dict[str, Any]:
    return {
        by.replace("-", "_"): line.who or None,
        "channel": line.channel,
        "unit": line.unit or None,
        "billed": line.billed,
        "releases": line.releases,
        "released": line.released.pages,
        "released_unknown": line.released.unknown,
        "counted": line.counted.pages,
        "counted_unknown": line.counted.unknown,
        "charged": line.charged,
        "unproven": line.unproven,
        "verdicts": dict(line.verdicts),
    }


def accounts_json(line: PrinterAccounts) -> dict[str, Any]:
    return {
        "printer": line.printer,
        "channel": line.channel,
        "counted": line.counted,
        **line.received,
        "conserved": line.conserved,
    }


def period_json(period: Period) -> dict[str, Any]:
    return {
        "name": period.name,
        "zone": period.zone.key,
        "from": None if period.from_us <= 0 else to_text(period.from_us),
        "to": None if period.to_us >= ALWAYS_US else to_text(period.to_us),
    }


def totals_json(
    period: Period, by: By, lines: Sequence[Total], accounts: Sequence[PrinterAccounts] | None = None
) -> dict[str, Any]:
    """``accounts`` are there for totals by printer only."""
    body: dict[str, Any] = {"period": period_json(period), "by": by, "totals": [total_json(by, one) for one in lines]}
    if accounts is not None:
        body["accounts"] = [accounts_json(line) for line in accounts]
    return body


def period_line(period: Period, what: str = "Releases started") -> str:
    """The period in words, with both ends in its zone; ``what`` belongs to it."""
    begins = "the beginning" if period.from_us <= 0 else local_text(period.from_us, period.zone)
    ends = "now" if period.to_us >= ALWAYS_US else f"just before {local_text(period.to_us, period.zone)}"
    return f"{what} in {period.name}: from {begins} to {ends} ({period.zone.key})"


def totals_table(by: By, lines: Sequence[Total]) -> Table:
    """For people: billed channels first; ``?`` is unknown, ``+n?`` says for how many releases a figure is missing."""
    table = Table(caption="released: claimed; counted: by the meter; charged: by policy; unproven: claimed only")
    table.add_column(by.replace("-", " "))
    table.add_column("channel")
    for heading in ("releases", "released", "counted", "charged", "unproven"):
        table.add_column(heading, justify="right")
    table.add_column("verdicts")
    for line in lines:
        told = [f"{count} {verdict}" for verdict, count in line.verdicts.items() if count]
        table.add_row(
            plain(line.who or NONE_SHOWN),
            plain(line.channel if line.billed else f"{line.channel} (part)") + (f", {line.unit}" if line.unit else ""),
            str(line.releases),
            _shown(line.released.pages, line.released.unknown),
            _shown(line.counted.pages, line.counted.unknown),
            str(line.charged),
            str(line.unproven),
            ", ".join(told),
        )
    return table


def accounts_table(lines: Sequence[PrinterAccounts]) -> Table:
    """Every page that the meters counted, and who received it."""
    table = Table(title="every page counted, and where it went")
    for heading in ("printer", "channel"):
        table.add_column(heading)
    for heading in ("counted", *ACCOUNT_KINDS):
        table.add_column(heading, justify="right")
    table.add_column("conserved")
    for line in lines:
        received = (str(line.received[kind]) for kind in ACCOUNT_KINDS)
        conserved = "yes" if line.conserved else "NO"
        table.add_row(plain(line.printer), plain(line.channel), str(line.counted), *received, conserved)
    return table


def _shown(pages: int | None, unknown: int) -> str:
    if pages is None:
        return UNKNOWN_SHOWN
    return f"{pages} +{unknown}?" if unknown else str(pages)
