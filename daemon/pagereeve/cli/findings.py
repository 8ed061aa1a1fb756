"""``pagereeve findings``: list findings, and record their cause."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated, Final
from zoneinfo import ZoneInfo

from cyclopts import App, Parameter

from pagereeve.app.daemon_client import NoDaemon, NotTaken
from pagereeve.app.decision_shown import tell_until_shown
from pagereeve.app.decisions import DecisionRequest, decide_by_hand
from pagereeve.app.journals import JournalPlace
from pagereeve.cli.journal import journal_place, local_socket, open_reads
from pagereeve.cli.options import (
    CONFIG_DEFAULT,
    AsJson,
    Config,
    DataDir,
    From,
    PeriodName,
    Printer,
    Socket,
    To,
    Zone,
)
from pagereeve.cli.output import complain, say, say_json, show
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.periods import Period, between
from pagereeve.domain.facts.facts import Reason
from pagereeve.domain.values.amounts import amount
from pagereeve.feeds.local.peer import this_user
from pagereeve.ports.findings import FindingFilter
from pagereeve.queries.findings import (
    FindingsAnswer,
    SummaryAnswer,
    finding_of,
    findings_of,
    summary_of,
    unknown_printer,
)
from pagereeve.reports.findings import findings_text
from pagereeve.reports.findings_summary import summary_json, summary_table
from pagereeve.reports.rows_json import finding_json
from pagereeve.reports.totals import period_line
from pagereeve.settings import BadSettings
from pagereeve.store.errors import CantOpen

LIMIT_DEFAULT: Final = 1_000
LIMIT_MAX: Final = 100_000

app = App(name="findings", help="List problems with their evidence; record their cause.")

Name = Annotated[str, Parameter(help="The finding's id, as f-0a1b2c3d4e5f.")]
Text = Annotated[str, Parameter(help="Note, stored permanently. Don't put people's names in it.")]


@app.default
def findings(
    *,
    all_: Annotated[bool, Parameter(name="--all", negative="", help="Explained and closed ones too.")] = False,
    kind: Annotated[str | None, Parameter(help="Only findings of this kind, as surplus or meter-silent.")] = None,
    printer: Printer = None,
    since: Annotated[str | None, Parameter(help="Only findings that began at this date or time, or later.")] = None,
    limit: Annotated[int, Parameter(help="Show at most this many; all are counted.")] = LIMIT_DEFAULT,
    json: AsJson = False,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """List findings with their evidence, the worst first. Exit status 1 if one is open."""
    shown_zone = site_of(config, data_dir, zone).zone
    asked = between(since, None, shown_zone)
    wanted = FindingFilter(None if all_ else "open", kind, printer, asked.from_us)
    known, nearest = asyncio.run(_known(config, data_dir, wanted, max(1, min(limit, LIMIT_MAX))))
    _give(known, shown_zone, as_json=json)
    if nearest is not None:
        meant = f"; {nearest!r} is" if nearest else "; names are exact"
        complain(f"no printer {(printer or '')[:60]!r} is known to the journal{meant}")
    if known.after is not None:
        complain(
            f"{len(known.findings)} of {amount(known.count(), 'finding')} shown; --limit shows more, --since fewer"
        )
    return 1 if known.count("open") else 0


@app.command(name="show")
def show_one(
    finding: Name,
    /,
    *,
    json: AsJson = False,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """One finding, open or closed, with everything that was recorded about it. Exit status 1 if it is open."""
    found = asyncio.run(_one(config, data_dir, finding))
    _give(found, site_of(config, data_dir, zone).zone, as_json=json)
    return 1 if found.count("open") else 0


@app.command
def explain(
    finding: Name,
    /,
    *,
    reason: Annotated[Reason, Parameter(help="The cause.")],
    text: Text = "",
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Record the cause of a finding. ``maintenance`` turns the pages of a gap into maintenance pages.

    The user who runs this is recorded.
    """
    _decide(DecisionRequest(finding, "explain", reason, text), socket, config, data_dir)
    return 0


@app.command
def close(
    finding: Name,
    /,
    *,
    reason: Annotated[Reason | None, Parameter(help="The cause, if it is known.")] = None,
    text: Text = "",
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Close a finding: nothing is left to do. The user who runs this is recorded."""
    _decide(DecisionRequest(finding, "close", reason or "", text), socket, config, data_dir)
    return 0


@app.command
def reopen(
    finding: Name,
    /,
    *,
    text: Text = "",
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Take back what was said of a finding: it is open again. What was booked stays booked.

    The user who runs this is recorded.
    """
    _decide(DecisionRequest(finding, "reopen", text=text), socket, config, data_dir)
    return 0


@app.command
def book(
    finding: Name,
    /,
    *,
    at: Annotated[str, Parameter(help="The printer that made the pages.")],
    text: Text = "",
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Book the releases of an unknown printer at the one that made their pages. Needs a running daemon.

    The user who runs this is recorded.
    """
    _decide(DecisionRequest(finding, "book", text=text, at=at), socket, config, data_dir)
    return 0


@app.command
def summary(
    *,
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = None,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Findings and pages of a period, by cause."""
    site = site_of(config, data_dir, zone)
    asked = site.chosen(period, from_, to)
    answer = asyncio.run(_summary(config, data_dir, asked))
    if json:
        say_json(summary_json(answer))
    else:
        show(period_line(asked, "Findings that began"), *site.note(), summary_table(answer.lines))
    return 0


def _give(answer: FindingsAnswer, zone: ZoneInfo, *, as_json: bool) -> None:
    if as_json:
        say_json([finding_json(one) for one in answer.findings])
    else:
        say(findings_text(answer.findings, zone, answer.booked, answer.units))


def _decide(said: DecisionRequest, socket: Path | None, config: Path, data_dir: Path | None) -> None:
    """To the daemon where one listens, until the next command shows it; else into the journal by hand."""
    what = f"{said.action} {said.finding}{f', {said.reason}' if said.reason else ''}, by {this_user().name}."
    try:
        shown = tell_until_shown(socket or local_socket(config, data_dir), _journal(config, data_dir), said)
    except NoDaemon:
        if socket is not None:
            raise
    else:
        say(f"Sent to the daemon: {what}")
        if not shown:
            complain(f"{said.finding} is not shown as decided yet: the daemon has it, and is still at work on its rows")
        return
    try:
        asyncio.run(decide_by_hand(journal_place(config, data_dir), said))
    except CantOpen as error:
        raise NotTaken(f"{error}; or name the daemon's local socket: --socket PATH") from error
    say(f"Written into the journal: {what}")


def _journal(config: Path, data_dir: Path | None) -> JournalPlace | None:
    """None where no settings say where it lies, as for somebody who names the socket alone."""
    try:
        return journal_place(config, data_dir)
    except BadSettings:
        return None


async def _known(
    config: Path, data_dir: Path | None, wanted: FindingFilter, limit: int
) -> tuple[FindingsAnswer, str | None]:
    """Where nothing is found of a printer that nobody knows, also which may be meant."""
    async with open_reads(config, data_dir) as reads:
        found = await findings_of(reads, wanted, limit)
        asked = wanted.printer if not found.findings else None
        return found, None if asked is None else await unknown_printer(reads, asked)


async def _one(config: Path, data_dir: Path | None, name: str) -> FindingsAnswer:
    async with open_reads(config, data_dir) as reads:
        return await finding_of(reads, name)


async def _summary(config: Path, data_dir: Path | None, period: Period) -> SummaryAnswer:
    async with open_reads(config, data_dir) as reads:
        return await summary_of(reads, period)
