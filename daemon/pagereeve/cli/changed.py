"""``pagereeve changed``: adjustments to closed periods."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Final

from cyclopts import Parameter

from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir
from pagereeve.cli.output import complain, say, say_json, show
from pagereeve.domain.projection.resume_point import PROJECTION_VERSION
from pagereeve.domain.values.amounts import amount
from pagereeve.queries.adjustments import ChangesTo, changes_to
from pagereeve.queries.as_sealed import period_of_closed
from pagereeve.queries.closed_periods import closed_named
from pagereeve.reports.closing import (
    adjustment_json,
    adjustments_table,
    closed_line,
    shown_of,
)

SHOWN_MAX: Final = 1_000


def changed(
    *,
    since: Annotated[
        str | None,
        Parameter(help="Only adjustments to this closed period, also those that a later close has taken over."),
    ] = None,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """What would be otherwise in closed periods if they were open: adjustments, each with what it corrects.

    They add up to 0 in each printer and channel: what one account gets another gives. Outstanding ones stand in the
    open period, and its close takes them over. Exit status 1 if there are any outstanding ones.
    """
    found = asyncio.run(_changed(config, data_dir, since))
    if json:
        say_json([adjustment_json(one.closed, shown) for one in found for shown in shown_of(one)])
    else:
        for one in found:
            _show_changed(one)
        if not found:
            say("No period is closed.")
    return 1 if any(one.outstanding for one in found) else 0


def _show_changed(changes: ChangesTo) -> None:
    period = changes.closed
    zone, shown = period_of_closed(period).zone, shown_of(changes)
    if not shown:
        show(f"{closed_line(period, zone)} Nothing is outstanding.")
        return
    show(closed_line(period, zone), adjustments_table(period, shown[:SHOWN_MAX]))
    if len(shown) > SHOWN_MAX:
        complain(f"{SHOWN_MAX} of {amount(len(shown), 'adjustment')} shown; --json shows all")
    if changes.own:
        rules = f"its rules differ from those of the close (version {PROJECTION_VERSION} now)"
        complain(f"{period.name}: what is the program's own comes of no late fact, as {rules}; it posts nothing")


async def _changed(config: Path, data_dir: Path | None, since: str | None) -> Sequence[ChangesTo]:
    async with open_reads(config, data_dir) as reads, reads.snapshot() as held:
        return await changes_to(held, None if since is None else await closed_named(held, since))
