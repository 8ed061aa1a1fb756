"""``pagereeve close``: freeze a period's rows, beside the daemon or without one."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from pagereeve.app.clocks import SystemClock
from pagereeve.app.closing import REASON_MAX, ClosingRequest, close_by_hand, prices_of, require_closable
from pagereeve.app.daemon_client import NoDaemon, NotTaken, ask_to_close
from pagereeve.cli.journal import journal_place, local_socket, open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Socket
from pagereeve.cli.output import complain, say, say_json, show
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.plain_text import require_plain_members
from pagereeve.feeds.local.peer import this_user
from pagereeve.queries.closing import ClosingLook, look_before_close
from pagereeve.reports.closing import (
    closed_json,
    concern_json,
    look_lines,
)
from pagereeve.reports.totals import period_line
from pagereeve.settings import load_settings
from pagereeve.store.errors import CantOpen

Name = Annotated[str, Parameter(help="2026, 2026-Q4, 2026-11, 2026-W48, 2026-11-25 or a name of [[periods]].")]


def close(
    period: Name,
    /,
    *,
    despite: Annotated[
        str,
        Parameter(help="Why it is closed although something stands in the way; kept for good, with your name."),
    ] = "",
    dry_run: Annotated[bool, Parameter(negative="", help="Only say what stands in the way.")] = False,
    json: AsJson = False,
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Close a period: freeze its rows for good. What comes later is an adjustment, and changes nothing that is closed.

    Beside a running daemon its local socket is asked (act: decide). Exit status 1: something stands in the way.
    """
    if len(despite) > REASON_MAX:
        raise BadQuestion("--despite", f"is {len(despite)} characters long; {REASON_MAX} at most")
    require_plain_members({"despite": despite}, "--despite")
    site = site_of(config, data_dir, None)
    asked = site.chosen(period, None, None)
    look = asyncio.run(_look(config, data_dir, asked))
    if look.trouble is not None:
        require_closable(look, despite)
    if not json:
        show(period_line(asked), *site.note(), *look_lines(look))
    if dry_run or (look.hindrances and not despite):
        return _not_closed(look, as_json=json, dry_run=dry_run)
    done = _close(ClosingRequest(asked, despite), socket, config, data_dir)
    if json:
        say_json(done)
    else:
        say(f"Closed: {amount(done['rows'], 'row')} frozen, SHA-256 {done['sha256']}, head {done['head']}.")
    return 0


def _not_closed(look: ClosingLook, *, as_json: bool, dry_run: bool) -> int:
    if as_json:
        say_json(
            {"period": look.period.name, "closed": False, "concerns": [concern_json(one) for one in look.concerns]}
        )
    elif look.hindrances and not dry_run:
        complain(f"{look.period.name} is not closed; to close it all the same: --despite REASON")
    return 1 if look.hindrances else 0


def _close(said: ClosingRequest, socket: Path | None, config: Path, data_dir: Path | None) -> dict[str, Any]:
    """By the daemon where one listens, else in the journal by hand."""
    try:
        return dict(ask_to_close(socket or local_socket(config, data_dir), said.body()))
    except NoDaemon:
        if socket is not None:
            raise
    prices = None if data_dir is not None else prices_of(load_settings(config))
    try:
        return closed_json(asyncio.run(close_by_hand(journal_place(config, data_dir), said, this_user().name, prices)))
    except CantOpen as error:
        raise NotTaken(f"{error}; or name the daemon's local socket: --socket PATH") from error


async def _look(config: Path, data_dir: Path | None, period: Period) -> ClosingLook:
    async with open_reads(config, data_dir) as reads, reads.snapshot() as held:
        return await look_before_close(held, period, SystemClock().now_us())
