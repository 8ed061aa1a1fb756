"""``pagereeve findings``."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Printer, Zone, open_reads

if TYPE_CHECKING:
    from pagereeve.domain.ledger import Finding


def findings(
    *,
    all_: Annotated[bool, Parameter(name="--all", negative="", help="Explained and closed ones too.")] = False,
    printer: Printer = None,
    json: AsJson = False,
    zone: Zone = "UTC",
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """What a person should look at, the worst first, with its evidence. Exit status 1 if any of it is open."""
    from pagereeve.cli.output import say, say_json  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.outlets.findings_view import chosen_findings, findings_text  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.outlets.period import zone_of  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.outlets.rows_json import finding_json  # noqa: PLC0415 - see pagereeve.cli

    shown_zone = zone_of(zone)
    chosen = chosen_findings(asyncio.run(_known(config, data_dir, only_open=not all_)), printer)
    if json:
        say_json([finding_json(one) for one in chosen])
    else:
        say(findings_text(chosen, shown_zone))
    return 1 if any(one.state == "open" for one in chosen) else 0


async def _known(config: Path, data_dir: Path | None, *, only_open: bool) -> Sequence[Finding]:
    async with open_reads(config, data_dir) as reads:
        return await reads.findings(only_open=only_open)
