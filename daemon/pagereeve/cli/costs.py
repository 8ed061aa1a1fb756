"""``pagereeve costs``."""

from __future__ import annotations

import asyncio
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from cyclopts import Parameter

from pagereeve.cli.csv_options import CsvDecimal, CsvDelimiter, CsvLocale, csv_form, written_as
from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, From, PeriodName, To, Zone
from pagereeve.cli.output import complain, say_bytes, say_json, show
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.frozen_answers import CostsBy
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.queries.closed_costs import costs_of_period
from pagereeve.queries.costs import CostsAnswer
from pagereeve.reports.as_closed import as_closed_lines
from pagereeve.reports.costs import cards_line, channel_pages_text, costs_csv, costs_json, costs_table
from pagereeve.reports.exports.csv_file import CsvForm
from pagereeve.reports.totals import period_line
from pagereeve.settings import load_settings
from pagereeve.settings.rates import rates_of

Format = Literal["auto", "table", "csv", "json"]


def costs(
    *,
    by: Annotated[CostsBy, Parameter(help="One line for each of these.")] = "person",
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = None,
    format_: Annotated[
        Format, Parameter(name="--format", help="auto is a table on a terminal, and CSV elsewhere.")
    ] = "auto",
    locale: CsvLocale = None,
    delimiter: CsvDelimiter = None,
    decimal: CsvDecimal = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """What charged pages cost in a period, by the rate cards of the settings ([[rates]]).

    Pages that no price fits are shown, and are in no amount. Exit status 1 if there are any.
    """
    written = written_as(format_)
    form = csv_form(written, locale, delimiter, decimal)
    settings, site = load_settings(config), site_of(config, None, zone)
    # A card begins on the site's day, in whatever zone somebody asks.
    rates = rates_of(settings.rates, ZoneInfo(settings.site.zone))
    classes = {one.name: one.price_class for one in settings.printers}
    asked = site.chosen(period, from_, to)

    async def read() -> CostsAnswer:
        async with open_reads(config, data_dir) as reads:
            return await costs_of_period(reads, asked, by, rates, classes)

    answer = asyncio.run(read())
    if not settings.rates and not answer.cards:
        raise BadQuestion("[[rates]]", f"{config} has no prices; pagereeve example settings shows how they are written")
    if answer.as_closed is not None:
        for line in [*as_closed_lines(answer.as_closed), cards_line(answer)]:
            complain(line)
    _write(answer, answer.period, written, form)
    if answer.unpriced:
        told = channel_pages_text(answer.unpriced)
        complain(f"pages without a price: {told}; no rate card held when they were released, or no price fits them")
    return 1 if answer.unpriced else 0


def _write(answer: CostsAnswer, period: Period, written: str, form: CsvForm) -> None:
    if written == "json":
        say_json(costs_json(answer))
    elif written == "table":
        show(period_line(period), costs_table(answer))
    else:
        say_bytes(costs_csv(answer, form).encode())
