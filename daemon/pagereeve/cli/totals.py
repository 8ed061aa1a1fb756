"""``pagereeve totals``."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, From, PeriodName, To, Zone
from pagereeve.cli.output import say, say_bytes, say_json, show
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.totals import By
from pagereeve.queries.totals import TotalsAnswer, totals_of
from pagereeve.queries.units import UnitStanding, units_of
from pagereeve.reports.seal import head_line
from pagereeve.reports.totals import answer_csv, answer_json, answer_tables, period_line, spelling_lines
from pagereeve.reports.units import units_line

Format = Literal["auto", "table", "csv", "json"]


def totals(
    *,
    by: Annotated[By, Parameter(help="Group the totals by this.")] = "person",
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = None,
    format_: Annotated[
        Format, Parameter(name="--format", help="auto is a table on a terminal, and CSV elsewhere.")
    ] = "auto",
    bom: Annotated[
        bool, Parameter(negative="", help="Start the CSV with a byte order mark, for spreadsheets.")
    ] = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Pages to charge per person, cost centre or printer for a period: released, counted and charged.

    A release belongs to the period in which it started, a gap's pages to that in which the gap closed. By printer, the
    meter's figures at start and end are shown too, and who received its pages. Exit status 1 if pages counted are not
    accounted for.
    """
    if format_ == "auto":
        format_ = "table" if sys.stdout.isatty() else "csv"
    site, table = site_of(config, data_dir, zone), format_ == "table"
    asked = site.chosen(period, from_, to)
    answer, units = asyncio.run(_totals(config, data_dir, asked, by, with_units=table))
    if format_ == "json":
        say_json(answer_json(answer))
    elif format_ == "csv":
        say_bytes(answer_csv(answer, bom=bom).encode())
    else:
        show(period_line(answer.period), *site.note(), *answer_tables(answer), *_made_from(answer))
        for line in (*spelling_lines(answer.lines), *filter(None, [units_line(units)])):
            say(line)
    return 0 if answer.conserved else 1


def _made_from(answer: TotalsAnswer) -> list[str]:
    return [] if answer.seal is None else [f"Made from {head_line(answer.seal)}."]


async def _totals(
    config: Path, data_dir: Path | None, period: Period, by: By, *, with_units: bool
) -> tuple[TotalsAnswer, Sequence[UnitStanding]]:
    async with open_reads(config, data_dir) as reads:
        return await totals_of(reads, period, by), await units_of(reads) if with_units else ()
