"""``pagereeve explain``."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pagereeve.cli.journal import open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Zone
from pagereeve.cli.output import say, say_json
from pagereeve.domain.accounts.periods import zone_of
from pagereeve.queries.explain import Explained, explained
from pagereeve.reports.explain import explain_all, explain_json


def explain(
    release: Annotated[str, Parameter(help="The release, as the release server named it.")],
    /,
    *,
    source: Annotated[
        str | None, Parameter(help="Only the release of this source, if several sources use the name.")
    ] = None,
    json: AsJson = False,
    zone: Zone = "UTC",
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> None:
    """The whole chain of evidence for a release, in order: claim, badge, readings, window, count, verdict, charge.

    A name that several sources or printers use is explained for each of them.
    """
    shown_zone = zone_of(zone)
    known = asyncio.run(_explained(config, data_dir, release, source))
    if json:
        say_json([explain_json(one.evidence, one.late) for one in known])
    else:
        say(explain_all([one.evidence for one in known], shown_zone, [one.late for one in known]))


async def _explained(config: Path, data_dir: Path | None, release: str, source: str | None) -> tuple[Explained, ...]:
    async with open_reads(config, data_dir) as reads:
        return await explained(reads, release, source)
