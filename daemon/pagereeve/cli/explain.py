"""``pagereeve explain``."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Zone, open_reads

if TYPE_CHECKING:
    from pagereeve.reports.late_notices import LateNotice
    from pagereeve.reports.release_evidence import Evidence


def explain(
    release: Annotated[str, Parameter(help="The release, as the release server named it.")],
    /,
    *,
    source: Annotated[
        str | None, Parameter(help="Only the release of this source, where several use the name.")
    ] = None,
    json: AsJson = False,
    zone: Zone = "UTC",
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> None:
    """The whole chain of evidence for a release, in order: claim, badge, readings, window, count, verdict, charge.

    A name that several sources or printers use is explained for each of them.
    """
    from pagereeve.cli.output import say, say_json  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.domain.accounts.periods import zone_of  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.explain import explain_all, explain_json  # noqa: PLC0415 - see pagereeve.cli

    shown_zone = zone_of(zone)
    evidences, learnt = asyncio.run(_gathered(config, data_dir, release, source))
    if json:
        say_json([explain_json(one, late) for one, late in zip(evidences, learnt, strict=True)])
    else:
        say(explain_all(evidences, shown_zone, learnt))


async def _gathered(
    config: Path, data_dir: Path | None, release: str, source: str | None
) -> tuple[list[Evidence], list[list[LateNotice]]]:
    from pagereeve.reports.late_notices import what_was_known  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.release_evidence import gather  # noqa: PLC0415 - see pagereeve.cli

    async with open_reads(config, data_dir) as reads:
        evidences = await gather(reads, release, source)
        return evidences, [await what_was_known(reads, one) for one in evidences]
