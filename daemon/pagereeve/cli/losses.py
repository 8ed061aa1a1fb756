"""``pagereeve losses``."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from pagereeve.cli.csv_options import CsvDelimiter, CsvLocale, csv_form, written_as
from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, From, PeriodName, To, Zone
from pagereeve.cli.output import complain, say_bytes, say_json, show
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.periods import Period
from pagereeve.queries.losses import LossesAnswer, LossesBy, losses_of
from pagereeve.reports.as_closed import as_closed_lines
from pagereeve.reports.losses import losses_csv, losses_json, losses_tables
from pagereeve.reports.seal import head_line
from pagereeve.reports.totals import period_line

Format = Literal["auto", "table", "csv", "json"]


def losses(
    *,
    by: Annotated[LossesBy, Parameter(help="One line for each of these.")] = "printer",
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = None,
    format_: Annotated[
        Format, Parameter(name="--format", help="auto is a table on a terminal, and CSV elsewhere.")
    ] = "auto",
    locale: CsvLocale = None,
    delimiter: CsvDelimiter = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Pages for which nobody pays, by printer and cause, the dearest first, and what would help.

    House accounts are those of totals, and unproven claims stand beside them; the period before is shown to compare.
    """
    site, written = site_of(config, data_dir, zone), written_as(format_)
    form = csv_form(written, locale, delimiter)
    asked = site.chosen(period, from_, to)
    answer = asyncio.run(_losses(config, data_dir, asked, by))
    if answer.as_closed is not None:
        for line in as_closed_lines(answer.as_closed):
            complain(line)
    if written == "json":
        say_json(losses_json(answer))
    elif written == "table":
        made = [] if answer.seal is None else [f"Made from {head_line(answer.seal)}."]
        show(period_line(asked, "Pages for which nobody pays"), *site.note(), *losses_tables(answer), *made)
    else:
        say_bytes(losses_csv(answer, form).encode())
    return 0


async def _losses(config: Path, data_dir: Path | None, period: Period, by: LossesBy) -> LossesAnswer:
    async with open_reads(config, data_dir) as reads:
        return await losses_of(reads, period, by)
