"""``pagereeve note-reading``: a figure that somebody read from a printer's panel, as a fact of its own."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Final

from cyclopts import Parameter

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon_client import NoDaemon, NotTaken
from pagereeve.app.panel_notes import PanelNote, note_by_hand, tell_daemon
from pagereeve.cli.journal import journal_place, local_socket, open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir, Socket, Zone
from pagereeve.cli.output import complain, say
from pagereeve.cli.site import site_of
from pagereeve.domain.accounts.local_instants import local_instant_us
from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.facts.noted_reading import NotedReading
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.codec import FIGURE_MAX
from pagereeve.queries.noted_readings import Seen, noted_readings
from pagereeve.reports.noted_readings import meter_text
from pagereeve.settings import load_settings
from pagereeve.store.errors import CantOpen

WITNESS: Final = "It is a witness beside the meter: it changes no charge."


def note_reading(
    printer: Annotated[str, Parameter(help="The printer, as the settings name it.")] = "",
    figure: Annotated[str, Parameter(help="What its panel, or its printed status page, showed.")] = "",
    /,
    *,
    at: Annotated[
        str | None,
        Parameter(help="When it was read: 2026-11-30T17:00 in the site's zone, or an RFC 3339 time; default: now."),
    ] = None,
    channel: Annotated[str, Parameter(help="What the figure counts: total, mono, colour and others.")] = "total",
    despite: Annotated[
        bool, Parameter(negative="", help="Note it although it does not fit other figures of this panel.")
    ] = False,
    void: Annotated[str, Parameter(help="Take back a wrong figure, by its id, instead of noting one.")] = "",
    text: Annotated[str, Parameter(help="Note, stored permanently. Don't put people's names in it.")] = "",
    zone: Zone = None,
    socket: Socket = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Note a figure that you read from a printer's panel or status page. Your user is recorded.

    Works beside a running daemon and without one. pagereeve noted-readings lists figures and their ids.
    """
    site = site_of(config, data_dir, zone)
    if void:
        if printer or figure or at is not None:
            raise BadQuestion("--void", "names the whole reading; leave printer, figure and --at out")
        note = PanelNote("", NotedReading(voids=void, text=text))
    else:
        at_us = SystemClock().now_us() if at is None else local_instant_us(at, site.zone, "--at")
        note = PanelNote(printer, NotedReading(at_us, channel, _whole(figure), despite=despite, text=text))
    name = _note(note, socket, config, data_dir)
    if void:
        say(f"Taken back: {void}; id {name}.")
        return 0
    at_text = local_text(note.said.read_us or 0, site.zone)
    say(f"Noted: the panel of {printer} showed {note.said.figure} ({channel}) at {at_text}; id {name}.")
    seen = None if socket is not None else _beside(config, data_dir, name)
    if seen is not None:
        say(f"Beside the meter: {meter_text(seen.meter)}.{f' {WITNESS}' if seen.meter.known else ''}")
    return 0


def _whole(figure: str) -> int:
    if not figure:
        raise BadQuestion("FIGURE", "is missing; name the printer, then what its panel showed")
    if not (figure.isascii() and figure.isdecimal()):
        raise BadQuestion("FIGURE", f"{figure[:40]!r} is no whole number of pages; write it in digits alone, as 48211")
    if len(figure) > len(str(FIGURE_MAX)) or int(figure) > FIGURE_MAX:
        raise BadQuestion("FIGURE", f"{figure[:40]} is more than any meter counts")
    return int(figure)


def _note(note: PanelNote, socket: Path | None, config: Path, data_dir: Path | None) -> str:
    """To the daemon where one listens, else into the journal by hand."""
    try:
        return tell_daemon(socket or local_socket(config, data_dir), note)
    except NoDaemon:
        if socket is not None:
            raise
    try:
        return asyncio.run(_by_hand(note, config, data_dir))
    except CantOpen as error:
        raise NotTaken(f"{error}; or name the daemon's local socket: --socket PATH") from error


async def _by_hand(note: PanelNote, config: Path, data_dir: Path | None) -> str:
    return await note_by_hand(journal_place(config, data_dir), note, await _known(config, data_dir))


async def _known(config: Path, data_dir: Path | None) -> Callable[[str], bool]:
    """The printers of the settings; where a folder stands in their place, those that the journal knows."""
    if data_dir is None:
        names = {one.name for one in load_settings(config).printers}
    else:
        async with open_reads(config, data_dir) as reads:
            names = set(await reads.printers())
    return lambda name: name in names


def _beside(config: Path, data_dir: Path | None, name: str) -> Seen | None:
    """None, and a word of it, where this user may not read the journal: the figure is noted all the same."""
    try:
        return asyncio.run(_seen(config, data_dir, name))
    except CantOpen as error:
        complain(f"how it lies beside the meter is not shown: {error}")
        return None


async def _seen(config: Path, data_dir: Path | None, name: str) -> Seen | None:
    async with open_reads(config, data_dir) as reads, reads.snapshot() as held:
        found = [one for one in await noted_readings(held) if one.panel.noted.origin.id == name]
    return found[0] if found else None
