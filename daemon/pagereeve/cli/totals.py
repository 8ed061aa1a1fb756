"""``pagereeve totals``."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Annotated, Final, Literal, get_args

from cyclopts import Parameter

from pagereeve.cli.csv_options import CsvDecimal, CsvDelimiter, CsvLocale, csv_form
from pagereeve.cli.export_files import Wanted, write_export
from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, From, PeriodName, To, Zone
from pagereeve.cli.output import complain, say, show
from pagereeve.cli.site import Site, site_of
from pagereeve.domain.accounts.export_rows import ExportBy
from pagereeve.domain.accounts.periods import Period, local_text
from pagereeve.domain.accounts.totals import By
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.reads import Reads
from pagereeve.queries.closed_periods import closed_as, closed_totals
from pagereeve.queries.totals import TotalsAnswer, totals_of
from pagereeve.queries.units import UnitStanding, units_of
from pagereeve.reports.closing import made_of_line
from pagereeve.reports.exports.making import FileFormat
from pagereeve.reports.seal import head_line
from pagereeve.reports.sites_behind import behind_line
from pagereeve.reports.totals import answer_tables, period_line, spelling_lines
from pagereeve.reports.units import units_line

Format = Literal["auto", "table", "csv", "json", "xlsx", "parquet"]
FILE_FORMATS: Final[tuple[FileFormat, ...]] = get_args(FileFormat)
NO_TABLE: Final = "a table is for terminals, by person, cost centre or printer"
NOT_EQUAL: Final = "what people and house accounts received is not what the meters counted; JSON shows where"


def totals(
    *,
    by: Annotated[ExportBy, Parameter(help="Group the totals by this.")] = "person",
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = None,
    format_: Annotated[
        Format,
        Parameter(name="--format", help="auto: by the name of the output file; else a table on a terminal, or CSV."),
    ] = "auto",
    output: Annotated[
        Path | None, Parameter(help="Output file, replaced atomically; FILE.account.json explains a CSV or Parquet.")
    ] = None,
    locale: CsvLocale = None,
    delimiter: CsvDelimiter = None,
    decimal: CsvDecimal = None,
    bom: Annotated[
        bool | None, Parameter(negative="--no-bom", help="Start the CSV with a byte order mark; so does --locale.")
    ] = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Pages per person, cost centre, printer, day or release for a period: released, counted, charged.

    A release belongs to the period in which it started, a gap's pages to that in which the gap closed. House accounts
    stand below people, then what the meters counted: the pages of all rows add up to it. Exit status 1 if they do not.
    """
    site = site_of(config, data_dir, zone)
    asked, chosen = site.chosen(period, from_, to), _format(format_, output, by)
    form = csv_form(chosen, locale, delimiter, decimal, bom=bom)
    if chosen == "table":
        return _show(config, data_dir, asked, by, site)
    adds_up = asyncio.run(_export(config, data_dir, Wanted(asked, by, chosen, form, output), site))
    if not adds_up:
        complain(NOT_EQUAL)
    return 0 if adds_up else 1


def _format(given: Format, output: Path | None, by: ExportBy) -> FileFormat | Literal["table"]:
    """Raises BadQuestion where no file of that name, or no table, can be made."""
    if given == "table":
        if output is not None or by in {"day", "release"}:
            raise BadQuestion("--format", f"{NO_TABLE}; use csv or xlsx")
        return given
    if given != "auto":
        return given
    if output is None:
        return "table" if sys.stdout.isatty() and by not in {"day", "release"} else "csv"
    for one in FILE_FORMATS:
        if output.suffix.lower() == f".{one}":
            return one
    raise BadQuestion("--output", f"{output.name!r} ends in none of {', '.join(FILE_FORMATS)}; say --format")


async def _export(config: Path, data_dir: Path | None, wanted: Wanted, site: Site) -> bool:
    async with open_reads(config, data_dir) as reads:
        export = await write_export(reads, wanted, site)
        return not export.adding.differences


def _show(config: Path, data_dir: Path | None, asked: Period, by: ExportBy, site: Site) -> int:
    if by == "day" or by == "release":  # noqa: PLR1714 - mypy narrows so
        raise BadQuestion("--format", NO_TABLE)
    answer, units = asyncio.run(_totals(config, data_dir, asked, by))
    show(period_line(answer.period), *site.note(), *answer_tables(answer, meters=by == "printer"), *_made_from(answer))
    if answer.sites_behind:
        complain(behind_line(answer.sites_behind, partial(local_text, zone=asked.zone)))
    for line in (*spelling_lines(answer.lines), *filter(None, [units_line(units)])):
        say(line)
    return 0 if answer.conserved else 1


def _made_from(answer: TotalsAnswer) -> list[str]:
    return [] if answer.seal is None else [f"Made from {head_line(answer.seal)}."]


async def _totals(
    config: Path, data_dir: Path | None, period: Period, by: By
) -> tuple[TotalsAnswer, Sequence[UnitStanding]]:
    async with open_reads(config, data_dir) as reads:
        return await _answer(reads, period, by), await units_of(reads)


async def _answer(reads: Reads, period: Period, by: By) -> TotalsAnswer:
    """Of a closed period what was frozen."""
    async with reads.snapshot() as held:
        closed = await closed_as(held, period)
        if closed is None:
            return await totals_of(held, period, by)
        answer = await closed_totals(held, closed, by)
        complain(made_of_line(closed, answer.period.zone))
        return answer
