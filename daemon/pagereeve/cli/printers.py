"""``pagereeve printers``: many of them at once."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import App, Parameter

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.app.cutover_look import CutoverLook
from pagereeve.app.journals import may_be_there, place_of, reads_of
from pagereeve.cli.check_config import refuse_bad_files
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config
from pagereeve.cli.output import complain, say, say_bytes, say_json, show
from pagereeve.cli.progress import progress_of
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.meters.discovery.profile import profiles_with
from pagereeve.meters.reader import SnmpMeter
from pagereeve.queries.proven import proven_of
from pagereeve.queries.readiness import PrinterLook, lacks_of, standing_of
from pagereeve.reports.cutover import cutover_csv, cutover_json, cutover_tables, summary_text
from pagereeve.reports.device_import import changes_text, entries
from pagereeve.settings import BadSettings, PrinterSettings, Problem, Settings, load_settings
from pagereeve.settings.importing import FOLDER, ImportPlan, only_import, plan_import, write_import
from pagereeve.settings.suggestions import Known

USAGE = 2
TIMEOUT_MAX_S = 600.0
Format = Literal["table", "csv", "json"]
app = App(name="printers", help="Many printers at once: import a list, check which are ready.")


@app.command(name="import")
def import_(
    file: Annotated[Path, Parameter(help="CSV with a printer a line; pagereeve docs operate has its columns.")],
    /,
    *,
    dry_run: Annotated[bool, Parameter(negative="", help="Show what would change, and write nothing.")] = False,
    to: Annotated[
        Path | None, Parameter(help="The included file to write; default: printers.d/NAME.toml beside the settings.")
    ] = None,
    remove: Annotated[
        bool, Parameter(negative="", help="Remove what an earlier import wrote and the list no longer has.")
    ] = False,
    config: Config = CONFIG_DEFAULT,
) -> int:
    """Import printers and gateways from a list into an included file, once the whole site was checked with it.

    Exit status 2 if anything is wrong; nothing is then written.
    """
    folder = config.absolute().parent
    target = folder / os.path.normpath(to if to is not None else Path(FOLDER) / f"{file.stem}.toml")
    with nullcontext() if dry_run else only_import(config):
        plan = plan_import(file, config, target)
        refuse_bad_files(plan.settings, str(config))
        say(f"{file} into {target}:")
        say(changes_text(plan.changes, plan.same, plan.left))
        site = f"{_count(len(plan.settings.printers), 'printer')}, {_count(len(plan.settings.gateways), 'gateway')}"
        say(f"The whole site was checked with it: {site}; nothing is wrong.")
        return _finish(plan, config, dry_run=dry_run, remove=remove)


def _finish(plan: ImportPlan, config: Path, *, dry_run: bool, remove: bool) -> int:
    if plan.removes and not remove:
        number = len(plan.removes)
        are = "is" if number == 1 else "are"
        complain(
            f"{entries(number)} of an earlier import {are} not in the list; --remove removes them. Nothing was written."
        )
        return USAGE
    if not plan.changes:
        say("Nothing changes.")
    elif dry_run:
        say("Nothing was written; without --dry-run it is.")
    else:
        write_import(plan, config)
        say("Written. A running daemon takes it over with: systemctl reload pagereeve")
    return 0


def _count(number: int, what: str) -> str:
    return f"1 {what}" if number == 1 else f"{number} {what}s"


@app.command
def check(
    *printers: Annotated[str, Parameter(help="Printers of the settings file; default: all of them.")],
    gateway: Annotated[str | None, Parameter(help="Only printers behind this gateway.")] = None,
    timeout_s: Annotated[float, Parameter(name="--timeout", help="Time limit in seconds, for each meter.")] = 15.0,
    format_: Annotated[Format, Parameter(name="--format", help="table, csv or json.")] = "table",
    json: AsJson = False,
    bom: Annotated[
        bool, Parameter(negative="", help="Start the CSV with a byte order mark, for spreadsheets.")
    ] = False,
    config: Config = CONFIG_DEFAULT,
) -> int:
    """The cutover list: does each printer's name lead to its gateway, do print port, web port and meter answer, when
    was it proven. Prints nothing on paper. Exit status 1 if one is not ready.
    """
    settings = load_settings(config)
    chosen = _chosen(settings, printers, gateway, config)
    limit_s = min(max(timeout_s, 0.1), TIMEOUT_MAX_S)
    shown = "json" if json else format_
    looks = asyncio.run(_look(settings, chosen, limit_s, quiet=shown != "table"))
    if shown == "json":
        say_json(cutover_json(looks))
    elif shown == "csv":
        say_bytes(cutover_csv(looks, bom=bom).encode())
    else:
        say(summary_text(looks))
        sys.stdout.flush()
        show(*cutover_tables(looks))
    return 0 if all(standing_of(lacks_of(one)) == "ready" for one in looks) else 1


def _chosen(settings: Settings, names: Sequence[str], gateway: str | None, config: Path) -> list[PrinterSettings]:
    """Raises BadSettings."""
    known, wanted = Known(one.name for one in settings.printers), frozenset(names)
    strangers = [name for name in names if name not in known]
    problems = [Problem(one[:64], f"is no printer of [[printers]]{known.nearest_to(one)}") for one in strangers]
    gateways = Known(one.name for one in settings.gateways)
    if gateway is not None and gateway not in gateways:
        problems.append(Problem(gateway[:64], f"is no gateway of [[gateways]]{gateways.nearest_to(gateway)}"))
    chosen = [
        one
        for one in settings.printers
        if (not wanted or one.name in wanted) and (gateway is None or one.gateway == gateway)
    ]
    if not problems and not chosen:
        problems.append(Problem("", "there is no printer to look at; pagereeve printers import LIST adds some"))
    if problems:
        raise BadSettings(str(config), problems)
    return chosen


async def _look(
    settings: Settings, chosen: Sequence[PrinterSettings], timeout_s: float, *, quiet: bool
) -> list[PrinterLook]:
    targets = settings.model_copy(update={"printers": tuple(chosen)}).targets()
    profiles = profiles_with(settings.meters.profiles)
    profiles.require(one.profile for one in chosen)
    proven_us = await _proven(settings)
    meter = SnmpMeter.of(SystemClock(), SystemEntropy(), profiles=profiles)
    try:
        with progress_of(len(chosen), quiet=quiet) as progress:

            def done(seen: PrinterLook) -> None:
                progress.proof(seen.printer, passed=standing_of(lacks_of(seen)) == "ready")

            return await CutoverLook(settings, meter, proven_us, timeout_s, done).all(chosen, targets)
    finally:
        await meter.close()


async def _proven(settings: Settings) -> Mapping[str, int] | None:
    """None where there is a journal that can't be read."""
    journal = place_of(settings)
    try:
        if not may_be_there(journal):
            return {}
        async with await reads_of(journal) as reads:
            return await proven_of(reads)
    except (PagereeveError, PermissionError) as error:
        complain(f"when printers were proven is not known: {error}")
        return None
