"""``pagereeve printers``: many of them at once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from pagereeve.cli.check_config import refuse_bad_files
from pagereeve.cli.options import CONFIG_DEFAULT, Config
from pagereeve.cli.output import complain, say
from pagereeve.reports.device_import import changes_text, entries
from pagereeve.settings.importing import FOLDER, ImportPlan, plan_import, write_import

USAGE = 2
app = App(name="printers", help="Import printers from a list.")


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
    target = folder / (to if to is not None else Path(FOLDER) / f"{file.stem}.toml")
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
