"""``pagereeve totals``."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, From, PeriodName, To, Zone, open_reads
from pagereeve.domain.accounts.totals import By

if TYPE_CHECKING:
    from pagereeve.domain.accounts.periods import Period
    from pagereeve.domain.accounts.printer_accounts import PrinterAccounts
    from pagereeve.domain.accounts.totals import Total

Format = Literal["auto", "table", "csv", "json"]


def totals(
    *,
    by: Annotated[By, Parameter(help="What to add up by.")] = "person",
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = "UTC",
    format_: Annotated[
        Format, Parameter(name="--format", help="auto is a table on a terminal, and CSV elsewhere.")
    ] = "auto",
    bom: Annotated[
        bool, Parameter(negative="", help="Begin the CSV with a byte order mark, for spreadsheets.")
    ] = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """What each person, cost centre or printer owes for a period: released, counted and charged side by side.

    A release belongs to the period in which it started. Exit status 1 if pages counted are not accounted for.
    """
    from pagereeve.domain.accounts.periods import chosen  # noqa: PLC0415 - see pagereeve.cli

    asked = chosen(period, from_, to, zone)
    lines, accounts = asyncio.run(_add_up(config, data_dir, asked, by))
    give_totals(asked, by, lines, accounts, format_, bom=bom)
    return 1 if any(not line.conserved for line in accounts or ()) else 0


async def _add_up(
    config: Path, data_dir: Path | None, period: Period, by: By
) -> tuple[list[Total], list[PrinterAccounts] | None]:
    from pagereeve.domain.accounts.cost_centres import CostCentres  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.domain.accounts.printer_accounts import Accounts  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.domain.accounts.totals import Totals  # noqa: PLC0415 - see pagereeve.cli

    async with open_reads(config, data_dir) as reads:
        centres = CostCentres()
        if by == "cost-centre":
            async for stored in reads.facts(""):
                centres.add(stored.fact)
        summed = Totals(by, centres)
        async for charge in reads.charges(period.from_us, period.to_us):
            summed.add(charge)
        if by != "printer":
            return summed.lines(), None
        accounts = Accounts()
        async for posting in reads.postings(period.from_us, period.to_us):
            accounts.add(posting)
        return summed.lines(), accounts.lines()


def give_totals(
    period: Period,
    by: By,
    lines: list[Total],
    accounts: list[PrinterAccounts] | None,
    format_: Format,
    *,
    bom: bool = False,
) -> None:
    """Write them to stdout in the form that was asked for. CSV holds the totals alone."""
    from pagereeve.cli.output import say_bytes, say_json, show  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports import totals as totals_text  # noqa: PLC0415 - see pagereeve.cli

    if format_ == "auto":
        format_ = "table" if sys.stdout.isatty() else "csv"
    if format_ == "json":
        say_json(totals_text.totals_json(period, by, lines, accounts))
    elif format_ == "csv":
        say_bytes(totals_text.totals_csv(by, lines, bom=bom).encode())
    else:
        show(totals_text.period_line(period), totals_text.totals_table(by, lines))
        if accounts is not None:
            show(totals_text.accounts_table(accounts))
