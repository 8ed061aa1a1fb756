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
from pagereeve.domain.accounts.adjustments import Adjustment
from pagereeve.domain.projection.resume_point import PROJECTION_VERSION
from pagereeve.domain.values.amounts import amount
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.queries.closed_periods import adjustments_to, closed_named, period_of_closed
from pagereeve.reports.closing import (
    adjustment_json,
    adjustments_table,
    closed_line,
)

SHOWN_MAX: Final = 1_000


def changed(
    *,
    since: Annotated[str | None, Parameter(help="Only adjustments to this closed period; default: to each.")] = None,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """What would be otherwise in closed periods if they were open: adjustments, each with what it corrects.

    They add up to 0 in each printer and channel: what one account gets another gives. Exit status 1 if there are any.
    """
    found = asyncio.run(_changed(config, data_dir, since))
    if json:
        say_json([adjustment_json(period, one) for period, adjustments in found for one in adjustments])
    else:
        for period, adjustments in found:
            _show_changed(period, adjustments)
        if not found:
            say("No period is closed.")
    return 1 if any(adjustments for _, adjustments in found) else 0


def _show_changed(period: ClosedPeriod, adjustments: Sequence[Adjustment]) -> None:
    zone = period_of_closed(period).zone
    if not adjustments:
        show(f"{closed_line(period, zone)} Nothing differs today.")
        return
    show(closed_line(period, zone), adjustments_table(period, adjustments[:SHOWN_MAX]))
    if len(adjustments) > SHOWN_MAX:
        complain(f"{SHOWN_MAX} of {amount(len(adjustments), 'adjustment')} shown; --json shows all")
    if period.closing.version != PROJECTION_VERSION:
        versions = f"{period.closing.version}, and is {PROJECTION_VERSION} now"
        complain(f"{period.name} was closed by rules of version {versions}: some of this may come from that")


async def _changed(
    config: Path, data_dir: Path | None, since: str | None
) -> list[tuple[ClosedPeriod, Sequence[Adjustment]]]:
    async with open_reads(config, data_dir) as reads, reads.snapshot() as held:
        known = await held.closed_periods() if since is None else [await closed_named(held, since)]
        return [(one, await adjustments_to(held, one)) for one in known]
