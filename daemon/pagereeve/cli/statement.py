"""``pagereeve statement``."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from pagereeve.app.zone_database import zone_database
from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, From, PeriodName, To, Zone
from pagereeve.cli.output import complain, output_file, say_bytes, say_json, show
from pagereeve.cli.site import site_of
from pagereeve.cli.version import version_text
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.reads import Reads
from pagereeve.queries.costs import Prices
from pagereeve.queries.findings import unknown_printer
from pagereeve.queries.statement_lines import Statement, Subject, SubjectKind
from pagereeve.queries.statements import statement_of
from pagereeve.reports.statements.as_json import statement_json
from pagereeve.reports.statements.files import statement_file
from pagereeve.reports.statements.on_terminal import statement_parts
from pagereeve.settings import load_settings
from pagereeve.settings.rates import rates_of

Format = Literal["auto", "table", "html", "json"]


def statement(
    of: Annotated[SubjectKind, Parameter(help="Whose statement.")],
    name: Annotated[str, Parameter(help="The person's login, the cost centre or the printer.")],
    /,
    *,
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    names: Annotated[
        bool,
        Parameter(negative="", help="Name the people in a cost centre's or a printer's statement: for those who may."),
    ] = False,
    format_: Annotated[
        Format, Parameter(name="--format", help="auto: by the name of the output file; else a table.")
    ] = "auto",
    output: Annotated[
        Path | None, Parameter(help="Output file, replaced atomically: .html to print on A4, or .json.")
    ] = None,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """The statement of a person, a cost centre or a printer: every release of a period with its evidence, and sums.

    It names nobody but the person it is of. A printer's has the meter's account with the house lines, and adds up;
    exit status 1 if it does not. Costs are shown where the settings have prices ([[rates]]).
    """
    site = site_of(config, data_dir, zone)
    asked, chosen = site.chosen(period, from_, to), _format(format_, output)
    if not asked.has_beginning:
        raise BadQuestion("--period", "is needed: a statement is of a month, a term, or from a date on")
    prices = _prices(config, data_dir, zone)
    known = asyncio.run(_known(config, data_dir, Subject(of, name), asked, prices, names=names))
    _give(known, chosen, output)
    if not known.conserved:
        complain("what people and house accounts received is not what the meter counted")
    return 0 if known.conserved else 1


def _format(given: Format, output: Path | None) -> Format:
    """Raises BadQuestion where a file of that name can't be made."""
    if output is None:
        return "table" if given == "auto" else given
    if given == "table":
        raise BadQuestion("--format", "a table is for terminals; use html or json")
    if given != "auto":
        return given
    match output.suffix.lower():
        case ".html" | ".htm":
            return "html"
        case ".json":
            return "json"
        case _:
            raise BadQuestion("--output", f"{output.name!r} ends neither in .html nor in .json; say --format")


def _prices(config: Path, data_dir: Path | None, zone: str | None) -> Prices | None:
    """With a folder in the place of settings there are none."""
    if data_dir is not None:
        return None
    settings = load_settings(config)
    rates = rates_of(settings.rates, site_of(config, None, zone).zone)
    return Prices(rates, {one.name: one.price_class for one in settings.printers})


async def _known(
    config: Path, data_dir: Path | None, subject: Subject, period: Period, prices: Prices | None, *, names: bool
) -> Statement:
    async with open_reads(config, data_dir) as reads:
        if subject.kind == "printer":
            await _refuse_unknown(reads, subject.name)
        return await statement_of(reads, subject, period, prices, names=names)


async def _refuse_unknown(reads: Reads, printer: str) -> None:
    nearest = await unknown_printer(reads, printer)
    if nearest is not None:
        meant = f"; {nearest!r} is" if nearest else "; names are exact"
        raise BadQuestion("PRINTER", f"no printer {printer[:60]!r} is known to the journal{meant}")


def _give(known: Statement, chosen: Format, output: Path | None) -> None:
    if chosen == "table":
        show(*statement_parts(known))
        return
    database = zone_database(known.period.zone.key)
    if chosen == "json" and output is None:
        say_json(statement_json(known, database))
        return
    raw = statement_file(known, database, version_text(), "html" if chosen == "html" else "json")
    if output is None:
        say_bytes(raw)
        return
    with output_file(output) as file:
        file.write(raw)
