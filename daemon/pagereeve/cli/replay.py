"""``pagereeve replay``."""

from __future__ import annotations

import asyncio
from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.journals import require_there
from pagereeve.app.replay import check_journal, collect_seldom, replay_journal
from pagereeve.cli.journal import damaged_line, journal_place
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir
from pagereeve.cli.output import say
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.visible import visible


def replay(
    *,
    check: Annotated[bool, Parameter(negative="", help="Only compare: nothing is written.")] = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Rebuild the ledger from the journal's facts, printer by printer, and report differences.

    The daemon must not run meanwhile; with --check it may. Rows that lack only the latest facts, or that an older
    version made, are *behind*, and do not differ. Damaged rows are named and left out. Exit status 1 if anything
    differs or is damaged.
    """
    place = journal_place(config, data_dir)
    require_there(place)
    collect_seldom()
    report = asyncio.run(check_journal(place) if check else replay_journal(place))
    for name in report.behind:
        say(
            f"{visible(name)}: the rows were behind the facts"
            + ("; the daemon's start projects them." if check else ".")
        )
    for line in report.differing:
        say(visible(line))
    for row in report.damaged:
        say(visible(damaged_line(row)))
    done = "compared only" if check else "tables rebuilt"
    outcome = amount(len(report.differing), "difference") if report.differing else "nothing differs"
    looked_at = ((report.printers, "printer"), (report.facts, "fact"), (report.rows, "row"))
    say(f"{', '.join(amount(*one) for one in looked_at)}; {done}; {outcome}.")
    return 1 if report.differing or report.damaged else 0
