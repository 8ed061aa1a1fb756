"""``pagereeve decide``: waive, confirm or move pages that no proof settles."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Final

from cyclopts import App, Parameter

from pagereeve.app.page_decisions import PagesRequest, Tried, send, tried, undo_of
from pagereeve.cli.decision_list import requests_in
from pagereeve.cli.journal import local_socket, open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config, DataDir, Printer, Socket, Zone
from pagereeve.cli.output import complain, say, say_json, show
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.decisions import Ruling
from pagereeve.domain.accounts.periods import between
from pagereeve.domain.facts.page_decision import PageDecision, PagesFrom, PagesReason, PagesTo
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import from_text
from pagereeve.feeds.local.peer import this_user
from pagereeve.queries.page_decisions import ruled
from pagereeve.reports.page_decisions import decision_text, decisions_table, ruling_json, subject_text

REFUSED: Final = 2

app = App(name="decide", help="Waive, confirm or move pages that no proof settles; undo and list such decisions.")

Release = Annotated[str, Parameter(help="Releases, as the release server named them.")]
Findings = Annotated[
    tuple[str, ...], Parameter(name="--finding", negative="", help="The pages of this finding; may be repeated.")
]
Source = Annotated[str, Parameter(help="The releases' source, where several sources use a name.")]
Channel = Annotated[str, Parameter(help="Only this counter; default: those that are billed.")]
Pages = Annotated[int, Parameter(help="So many pages; default: all that stand there.")]
Why = Annotated[PagesReason, Parameter(help="Why pages are charged otherwise than counted.")]
Text = Annotated[str, Parameter(help="Note, stored permanently. Don't put people's names in it.")]
List = Annotated[
    Path | None,
    Parameter(name="--list", help="CSV with a heading: release, source, finding, channel, pages, reason, text."),
]
DryRun = Annotated[bool, Parameter(name="--dry-run", negative="", help="Show what would be decided, and send nothing.")]


@app.command
def waive(
    *releases: Release,
    reason: Why,
    finding: Findings = (),
    source: Source = "",
    channel: Channel = "",
    pages: Pages = 0,
    text: Text = "",
    list_: List = None,
    dry_run: DryRun = False,
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Charge nobody for unproven pages of these releases. Needs a running daemon; your user is recorded."""
    said = PageDecision("waive", _whole(pages), reason, channel, source, text=text)
    return _decide(_asked(said, releases, finding, list_), _Place(socket, config, data_dir, dry_run))


@app.command
def confirm(
    *releases: Release,
    reason: Why,
    finding: Findings = (),
    source: Source = "",
    channel: Channel = "",
    pages: Pages = 0,
    text: Text = "",
    list_: List = None,
    dry_run: DryRun = False,
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Charge unproven pages to their releases' owners. Needs a running daemon; your user is recorded."""
    said = PageDecision("confirm", _whole(pages), reason, channel, source, text=text)
    return _decide(_asked(said, releases, finding, list_), _Place(socket, config, data_dir, dry_run))


@app.command
def move(
    *releases: Release,
    from_: Annotated[PagesFrom, Parameter(name="--from", help="Where the pages stand now; stray is of a gap.")],
    to_person: Annotated[str, Parameter(help="Charge this person, by login.")] = "",
    to_cost_centre: Annotated[str, Parameter(help="Charge this cost centre, and nobody in it.")] = "",
    to_house: Annotated[str, Parameter(help="Another house account, without house:, as maintenance.")] = "",
    reason: Why,
    finding: Findings = (),
    source: Source = "",
    printer: Annotated[str, Parameter(help="Of stray pages: the printer of the gap.")] = "",
    closes: Annotated[str, Parameter(help="Of stray pages: when the gap closed, an RFC 3339 time.")] = "",
    channel: Channel = "",
    pages: Pages = 0,
    text: Text = "",
    list_: List = None,
    dry_run: DryRun = False,
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Move pages to a person, a cost centre or a house account. Needs a running daemon; your user is recorded.

    Surplus and unattributed pages are those of the bracket that a release shares; stray ones are of a gap.
    """
    to, name = _receiver(to_person, to_cost_centre, to_house)
    said = PageDecision(
        "move", _whole(pages), reason, channel, source, taken_from=from_, to=to, to_name=name, text=text
    )
    gap = [] if not closes else [PagesRequest("--closes", replace(said, closes_us=from_text(closes)), printer)]
    asked = _asked(said, releases, finding, list_, gap)
    return _decide(asked, _Place(socket, config, data_dir, dry_run))


@app.command
def undo(
    decision: Annotated[str, Parameter(help="Its id; pagereeve decide list shows them.")],
    /,
    *,
    reason: Annotated[PagesReason, Parameter(help="Why it counts no more.")] = "mistake",
    text: Text = "",
    dry_run: DryRun = False,
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Undo a decision: all is as before it. Needs a running daemon; your user is recorded."""
    said = PageDecision("undo", 1, reason, undoes=decision, text=text)

    async def look() -> list[Tried]:
        async with open_reads(config, data_dir) as reads, reads.snapshot() as held:
            return [await undo_of(held, decision, said, this_user().name)]

    return _send(asyncio.run(look()), _Place(socket, config, data_dir, dry_run))


@app.command(name="list")
def list_all(
    *,
    printer: Printer = None,
    since: Annotated[str | None, Parameter(help="Only decisions of this date or time, or later.")] = None,
    json: AsJson = False,
    zone: Zone = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """List decisions about pages: what each does, or why it is not in force. Exit status 1 if one is not."""
    shown_zone = site_of(config, data_dir, zone).zone
    from_us = between(since, None, shown_zone).from_us

    async def read() -> list[Ruling]:
        async with open_reads(config, data_dir) as reads, reads.snapshot() as held:
            return await ruled(held)

    known = [one for one in asyncio.run(read()) if printer in {None, one.decided.printer}]
    shown = [one for one in known if one.decided.origin.at_us >= from_us]
    if json:
        say_json([ruling_json(one) for one in shown])
    elif shown:
        show(decisions_table(shown, shown_zone))
    else:
        say("No decisions about pages.")
    return 1 if any(one.refused is not None for one in shown) else 0


@dataclass(frozen=True, slots=True)
class _Place:
    socket: Path | None
    config: Path
    data_dir: Path | None
    dry_run: bool


def _whole(pages: int) -> int:
    if pages < 0:
        raise BadQuestion("--pages", f"{pages} is below 0; leave it out for all pages that stand there")
    return pages


def _receiver(person: str, centre: str, house: str) -> tuple[PagesTo, str]:
    named: dict[PagesTo, str] = {"person": person, "cost-centre": centre, "house": house.removeprefix("house:")}
    given = [(to, name) for to, name in named.items() if name]
    if len(given) != 1:
        raise BadQuestion("--to-person", "name one receiver: --to-person, --to-cost-centre or --to-house")
    return given[0]


def _asked(
    said: PageDecision,
    releases: Sequence[str],
    findings: Sequence[str],
    path: Path | None,
    more: Sequence[PagesRequest] = (),
) -> list[PagesRequest]:
    asked = [PagesRequest("RELEASE", replace(said, release_id=one)) for one in releases]
    asked += [PagesRequest("--finding", said, finding=one) for one in findings]
    asked += more
    if path is not None:
        asked += requests_in(path, said)
    if not asked:
        raise BadQuestion("RELEASE", "names no pages: name releases, --finding, --list or, of stray pages, --closes")
    return asked


def _decide(asked: Sequence[PagesRequest], place: _Place) -> int:
    async def look() -> list[Tried]:
        async with open_reads(place.config, place.data_dir) as reads, reads.snapshot() as held:
            return await tried(held, asked, this_user().name)

    return _send(asyncio.run(look()), place)


def _send(found: Sequence[Tried], place: _Place) -> int:
    """All of them, or none where one would not be in force."""
    refused = [one for one in found if one.ruling.refused is not None]
    for one in refused:
        complain(f"{_words(one)}: {one.ruling.problem}")
    if refused:
        complain(f"nothing was decided: {len(refused)} of {amount(len(found), 'decision')} would not be in force")
        return REFUSED
    if not place.dry_run:
        send(place.socket or local_socket(place.config, place.data_dir), found)
    head = "Would be decided" if place.dry_run else "Decided"
    for one in found:
        say(f"{head}: {_words(one)}; id {one.envelope['id']}" if not place.dry_run else f"{head}: {_words(one)}")
    return 0


def _words(one: Tried) -> str:
    said = one.ruling.decided.said
    subject = subject_text(said, one.ruling.decided.printer)
    return f"{decision_text(said)}{f' of {subject}' if subject else ''}, {said.reason}"
