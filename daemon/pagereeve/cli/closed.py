"""``pagereeve closed``: the periods that are closed."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir
from pagereeve.cli.output import say, say_json, show
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.reports.closing import (
    closed_json,
    closed_table,
)


def closed(*, json: AsJson = False, config: Config = CONFIG_DEFAULT, data_dir: DataDir = None) -> None:
    """List closed periods: by whom, when, the head of the journal that each saw, rows and their SHA-256."""
    known = asyncio.run(_closed(config, data_dir))
    if json:
        say_json([closed_json(one) for one in known])
    elif known:
        show(closed_table(known))
    else:
        say("No period is closed.")


async def _closed(config: Path, data_dir: Path | None) -> Sequence[ClosedPeriod]:
    async with open_reads(config, data_dir) as reads:
        return await reads.closed_periods()
