"""``pagereeve replay``."""

from __future__ import annotations

import asyncio
from typing import Annotated

from cyclopts import Parameter

from pagereeve.cli.journal import journal_path
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir


def replay(
    *,
    check: Annotated[bool, Parameter(negative="", help="Only compare; the tables stay as they are.")] = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Drop the projection, rebuild it from the journal's facts, and report differences.

    The daemon must not run meanwhile. Exit status 1 if anything differs.
    """
    from pagereeve.app.replay import replay_journal  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.cli.output import say  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.domain.values.visible import visible  # noqa: PLC0415 - see pagereeve.cli

    path = journal_path(config, data_dir)
    if not path.is_file():
        from pagereeve.store.errors import CantOpen  # noqa: PLC0415 - see pagereeve.cli

        raise CantOpen(path, "there is no such file; the daemon creates it at its first start")
    report = asyncio.run(replay_journal(path, store=not check))
    for line in report.differing:
        say(visible(line))
    done = "compared only" if check else "tables rebuilt"
    outcome = f"{len(report.differing)} differences" if report.differing else "nothing differs"
    say(f"{report.printers} printers, {report.facts} facts, {report.rows} rows; {done}; {outcome}.")
    return 1 if report.differing else 0
