"""``pagereeve noted-readings``: figures that people read from panels, and how each lies beside the meter."""

from __future__ import annotations

import asyncio
from typing import Annotated

from cyclopts import Parameter

from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Printer, Zone
from pagereeve.cli.output import say, say_json, show
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.periods import between
from pagereeve.queries.noted_readings import Seen
from pagereeve.queries.noted_readings import noted_readings as all_of
from pagereeve.reports.noted_readings import reading_json, readings_table


def noted_readings(
    *,
    printer: Printer = None,
    since: Annotated[str | None, Parameter(help="Only figures read on this date or time, or later.")] = None,
    json: AsJson = False,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """List figures read from panels, with those taken back. Exit status 1 if one disagrees with the meter."""
    shown_zone = site_of(config, data_dir, zone).zone
    since_us = between(since, None, shown_zone).from_us

    async def read() -> list[Seen]:
        async with open_reads(config, data_dir) as reads, reads.snapshot() as held:
            return await all_of(held, printer, since_us)

    seen = asyncio.run(read())
    if json:
        say_json([reading_json(one) for one in seen])
    elif seen:
        show(readings_table(seen, shown_zone))
    else:
        say("No readings of a panel are noted.")
    return 1 if any(one.meter.off for one in seen if one.panel.taken_back is None) else 0
