"""``pagereeve findings``: look at what is found, and say what it came of."""

from __future__ import annotations

import asyncio
import getpass
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, Parameter

from pagereeve.cli.options import (
    CONFIG_DEFAULT,
    AsJson,
    Config,
    DataDir,
    From,
    PeriodName,
    Printer,
    To,
    Zone,
    journal_path,
    open_reads,
)
from pagereeve.domain.facts.facts import Action, Reason

if TYPE_CHECKING:
    from pagereeve.domain.ledger import Finding

app = App(name="findings", help="What a person should look at, with its evidence, and what people said of it.")

Name = Annotated[str, Parameter(help="The finding's id, as f-0a1b2c3d4e5f.")]
Text = Annotated[str, Parameter(help="Anything worth knowing later. It names nobody who need not be named.")]
By = Annotated[str | None, Parameter(help="Who says so; your login, if left out.")]
Daemon = Annotated[str | None, Parameter(help="Where the daemon listens, HOST:PORT; the settings file's, if left out.")]


@app.default
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
    from pagereeve.reports.findings import chosen_findings  # noqa: PLC0415 - see pagereeve.cli

    chosen = chosen_findings(asyncio.run(_known(config, data_dir, only_open=not all_)), printer)
    _give(chosen, zone, as_json=json)
    return 1 if any(one.state == "open" for one in chosen) else 0


@app.command
def show(
    finding: Name,
    /,
    *,
    json: AsJson = False,
    zone: Zone = "UTC",
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """One finding, whatever its state, with all that was said of it. Exit status 1 if it is open."""
    from pagereeve.domain.values.bad_question import BadQuestion  # noqa: PLC0415 - see pagereeve.cli

    found = asyncio.run(_one(config, data_dir, finding))
    if found is None:
        raise BadQuestion("FINDING", f"{finding[:40]!r} is no finding; pagereeve findings --all lists them")
    _give([found], zone, as_json=json)
    return 1 if found.state == "open" else 0


@app.command
def explain(
    finding: Name,
    /,
    *,
    reason: Annotated[Reason, Parameter(help="What it came of.")],
    text: Text = "",
    by: By = None,
    daemon: Daemon = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Say what a finding came of. ``maintenance`` turns the pages of a gap into maintenance pages."""
    _decide(finding, "explain", reason, text, by, daemon, config, data_dir)
    return 0


@app.command
def close(
    finding: Name,
    /,
    *,
    reason: Annotated[Reason | None, Parameter(help="What it came of, if that is known.")] = None,
    text: Text = "",
    by: By = None,
    daemon: Daemon = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Say that nothing is left to do about a finding."""
    _decide(finding, "close", reason or "", text, by, daemon, config, data_dir)
    return 0


@app.command
def summary(
    *,
    period: PeriodName = None,
    from_: From = None,
    to: To = None,
    zone: Zone = "UTC",
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """How many findings of a period came of what, and how many pages they are about."""
    from pagereeve.cli.output import say_json, show  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.domain.accounts.periods import chosen  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.findings_summary import summary_json, summary_of, summary_table  # noqa: PLC0415 - as above
    from pagereeve.reports.totals import period_line  # noqa: PLC0415 - see pagereeve.cli

    asked = chosen(period, from_, to, zone)
    known = asyncio.run(_known(config, data_dir, only_open=False))
    lines = summary_of(one for one in known if asked.holds(one.since_us))
    if json:
        say_json(summary_json(asked, lines))
    else:
        show(period_line(asked, "Findings since"), summary_table(lines))
    return 0


def _give(chosen: Sequence[Finding], zone: str, *, as_json: bool) -> None:
    from pagereeve.cli.output import say, say_json  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.domain.accounts.periods import zone_of  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.findings import findings_text  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.reports.rows_json import finding_json  # noqa: PLC0415 - see pagereeve.cli

    shown_zone = zone_of(zone)
    if as_json:
        say_json([finding_json(one) for one in chosen])
    else:
        say(findings_text(chosen, shown_zone))


def _decide(
    finding: str,
    action: Action,
    reason: str,
    text: str,
    by: str | None,
    daemon: str | None,
    config: Path,
    data_dir: Path | None,
) -> None:
    """To the daemon where one listens; else into the journal by hand."""
    from pagereeve.app.decisions import DecisionRequest, NoDaemon, NotTaken, decide_by_hand, tell_daemon  # noqa: PLC0415 - as above
    from pagereeve.cli.output import say  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.settings import HostPort, load_settings  # noqa: PLC0415 - see pagereeve.cli
    from pagereeve.store.errors import CantOpen  # noqa: PLC0415 - as above

    said = DecisionRequest(finding, action, by or getpass.getuser(), reason, text)
    settings = load_settings(config) if data_dir is None else None
    address = HostPort.of(daemon) if daemon is not None else settings.http.listen if settings is not None else None
    tokens = settings.http_tokens() if settings is not None else ()
    token = tokens[0].get_secret_value() if tokens else ""
    if address is not None:
        try:
            tell_daemon(address, token, said)
        except NoDaemon:
            if daemon is not None:
                raise
        else:
            say(f"Said to the daemon: {action} {finding}{f', {reason}' if reason else ''}, by {said.by}.")
            return
    try:
        asyncio.run(decide_by_hand(journal_path(config, data_dir), said))
    except CantOpen as error:
        raise NotTaken(f"{error}; or name where the daemon listens: --daemon HOST:PORT") from error
    say(f"Written into the journal: {action} {finding}{f', {reason}' if reason else ''}, by {said.by}.")


async def _known(config: Path, data_dir: Path | None, *, only_open: bool) -> Sequence[Finding]:
    async with open_reads(config, data_dir) as reads:
        return await reads.findings(only_open=only_open)


async def _one(config: Path, data_dir: Path | None, name: str) -> Finding | None:
    async with open_reads(config, data_dir) as reads:
        return await reads.finding(name)
