"""``pagereeve releases``."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal
from zoneinfo import ZoneInfo

from cyclopts import Parameter

from pagereeve.cli.csv_options import CsvDelimiter, CsvLocale, csv_form
from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, PeriodName, Printer, To, Zone
from pagereeve.cli.output import complain, output_file, show
from pagereeve.cli.site import site_of
from pagereeve.domain.ledger import Charge, Grade
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.releases import ReleaseFilter, VerdictAsked
from pagereeve.queries.releases import ReleasesAsked, releases_of
from pagereeve.reports.exports.csv_file import CsvForm
from pagereeve.reports.releases import ReleasesCsv, ReleasesJson, releases_table
from pagereeve.reports.totals import period_line

Format = Literal["auto", "table", "csv", "json"]
GradeName = Literal["tight", "inferred", "matched", "shared", "wide", "broken", "blind"]
TABLE_LIMIT: Final = 1_000
TABLE_MAX: Final = 100_000


@dataclass(frozen=True, slots=True)
class _Out:
    format: Format
    form: CsvForm
    path: Path | None
    limit: int | None
    zone: ZoneInfo


def releases(
    *,
    person: Annotated[
        str | None,
        Parameter(help="Only this person: a login, however it is written, or what a list says of it."),
    ] = None,
    printer: Printer = None,
    cost_centre: Annotated[
        str | None, Parameter(help="Only people who belonged to it then; an empty one: people of none.")
    ] = None,
    verdict: Annotated[VerdictAsked | None, Parameter(help="Only this verdict; open: none yet.")] = None,
    grade: Annotated[GradeName | None, Parameter(help="Only evidence of this grade.")] = None,
    period: PeriodName = None,
    from_: Annotated[
        str | None,
        Parameter(name=("--from", "--since"), help="Beginning: a local date, or an RFC 3339 time."),
    ] = None,
    to: To = None,
    limit: Annotated[
        int | None, Parameter(help=f"At most this many; default: {TABLE_LIMIT} in a table, all in CSV and JSON.")
    ] = None,
    format_: Annotated[
        Format, Parameter(name="--format", help="auto is a table on a terminal, and CSV elsewhere.")
    ] = "auto",
    output: Annotated[Path | None, Parameter(help="Output file, replaced atomically, as CSV or JSON.")] = None,
    locale: CsvLocale = None,
    delimiter: CsvDelimiter = None,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """What was released, a line each, the newest first: claimed, counted, charged, unproven, verdict, grade.

    A release belongs to the period in which it started. Channels that are parts of a billed one are left out.
    """
    site = site_of(config, data_dir, zone)
    asked = site.chosen(period, from_, to)
    wanted = ReleaseFilter(printer, None, verdict, None if grade is None else Grade(grade), asked.from_us, asked.to_us)
    if limit is not None and limit < 1:
        raise BadQuestion("--limit", f"{limit} shows nothing; write 1 or more")
    chosen = _format(format_, output)
    out = _Out(chosen, csv_form(chosen, locale, delimiter), output, limit, asked.zone)
    if out.format == "table":
        show(period_line(asked), *site.note())
    more = asyncio.run(_write(config, data_dir, ReleasesAsked(wanted, cost_centre, person), out))
    if more:
        complain(f"the newest {amount(more, 'release')} shown, and there are more; --limit shows more, --since fewer")
    return 0


def _format(given: Format, output: Path | None) -> Format:
    if output is None:
        return ("table" if sys.stdout.isatty() else "csv") if given == "auto" else given
    if given == "table":
        raise BadQuestion("--format", "a table is for terminals; use csv or json")
    named: Format = "json" if output.suffix.lower() == ".json" else "csv"
    return named if given == "auto" else given


async def _write(config: Path, data_dir: Path | None, asked: ReleasesAsked, out: _Out) -> int:
    """How many were shown, where that is not all; else 0."""
    async with open_reads(config, data_dir) as reads, reads.snapshot() as held:
        found = releases_of(held, asked)
        return await (_show(found, out) if out.format == "table" else _stream(found, out))


async def _show(found: AsyncIterator[Charge], out: _Out) -> int:
    limit = min(TABLE_LIMIT if out.limit is None else out.limit, TABLE_MAX)
    charges: list[Charge] = []
    more = False
    async for charge in found:
        more = len(charges) == limit
        if more:
            break
        charges.append(charge)
    show(releases_table(charges, out.zone))
    return len(charges) if more else 0


async def _stream(found: AsyncIterator[Charge], out: _Out) -> int:
    written = 0
    with output_file(out.path) as file:
        writer = ReleasesJson(file, out.zone) if out.format == "json" else ReleasesCsv(file, out.zone, out.form)
        more = False
        async for charge in found:
            more = written == out.limit
            if more:
                break
            writer.write(charge)
            written += 1
        writer.end()
    return written if more else 0
