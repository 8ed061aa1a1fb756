"""``pagereeve clock``: say that this machine's clock is right; give facts another date, or make readings void."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated, Final
from zoneinfo import ZoneInfo

from cyclopts import App, Parameter

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon_client import NoDaemon, agree_clock
from pagereeve.app.dating_on import PersonsWord
from pagereeve.app.redating import RedatingRequest, redate_journal
from pagereeve.cli.journal import data_folder, journal_place, local_socket
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, Socket, Zone
from pagereeve.cli.output import say
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.periods import between
from pagereeve.domain.facts.redating import Span
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import to_text
from pagereeve.feeds.local.peer import this_user
from pagereeve.ports.setting_types import Duration

app = App(name="clock", help="Agree to this machine's clock; correct the dates of facts.")

Printers = Annotated[list[str] | None, Parameter(name="--printer", help="Only this printer; may be repeated.")]
Since = Annotated[str, Parameter(name="--from", help="Beginning, as the facts are dated now: RFC 3339, or a date.")]
Until = Annotated[str, Parameter(name="--until", help="End, not included: RFC 3339, or a date.")]
Reason = Annotated[str, Parameter(help="Why, stored permanently. Don't put people's names in it.")]
BACK: Final = "-"


@app.command
def agree(*, socket: Socket = None, config: Config = CONFIG_DEFAULT, data_dir: DataDir = None) -> int:
    """Confirm that this machine's clock is right now. The user who runs this is recorded.

    A daemon that asks for it takes it within a second, and moves the dates that it gave meanwhile; without a daemon it
    counts for a start within ten minutes.
    """
    who = this_user().name
    try:
        at = agree_clock(socket or local_socket(config, data_dir))
    except NoDaemon:
        if socket is not None:
            raise
        wall_us = SystemClock().now_us()
        PersonsWord.within(data_folder(config, data_dir)).leave(who, wall_us)
        at = to_text(wall_us)
    say(f"Said: {at} is right, by {who}.")
    return 0


@app.command
def redate(
    *,
    from_: Since,
    until: Until,
    by: Annotated[str, Parameter(help="How much later: 2h, or -1h (as --by=-1h) for earlier.")],
    reason: Reason,
    printer: Printers = None,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Correct the dates that this machine's clock gave in a stretch, by a further fact. Stop the daemon first.

    Without --printer, of the whole site. What senders claimed stays, and counts again where it can be believed now.
    """
    by_us = _signed_us(by)
    count = _redate(printer, _span(from_, until, site_of(config, data_dir, zone).zone), by_us, reason, config, data_dir)
    say(f"{amount(count, 'fact was', 'facts were')} moved by {by}. The ledger was computed again.")
    return 0


@app.command
def void(
    *,
    from_: Since,
    until: Until,
    reason: Reason,
    printer: Printers = None,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Declare the readings of a stretch void, by a further fact. Stop the daemon first.

    What somebody sent is never void: a release whose readings are void is unproven.
    """
    count = _redate(printer, _span(from_, until, site_of(config, data_dir, zone).zone), None, reason, config, data_dir)
    say(f"{amount(count, 'run of readings is', 'runs of readings are')} void now. The ledger was computed again.")
    return 0


def _redate(
    printers: list[str] | None,
    span: Span,
    by_us: int | None,
    reason: str,
    config: Path,
    data_dir: Path | None,
) -> int:
    said = RedatingRequest(printers or (), span, by_us, this_user().name, reason)
    return asyncio.run(redate_journal(journal_place(config, data_dir), said))


def _span(from_: str, until: str, zone: ZoneInfo) -> Span:
    asked = between(from_, until, zone)
    return Span(asked.from_us, asked.to_us)


def _signed_us(text: str) -> int:
    try:
        us = Duration.of(text.removeprefix(BACK)).us
    except ValueError as error:
        raise BadQuestion("--by", str(error)) from error
    if not us:
        raise BadQuestion("--by", "nothing would change; say by how much")
    return -us if text.startswith(BACK) else us
