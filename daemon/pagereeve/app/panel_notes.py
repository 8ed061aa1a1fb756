"""A figure of a panel, on its way into the journal: by the running daemon, or directly if none runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon_client import send_event
from pagereeve.app.decisions import renew_rows
from pagereeve.app.journals import JournalPlace, open_alone
from pagereeve.app.own_events import envelope_of
from pagereeve.domain.facts.events import AUTHOR, READING_NOTED, data_of, event_of
from pagereeve.domain.facts.facts import Origin, ReadingNoted
from pagereeve.domain.facts.noted_reading import READINGS_SOURCE, NotedReading
from pagereeve.domain.values.instants import from_text
from pagereeve.domain.values.plain_text import require_plain_members
from pagereeve.feeds.local.peer import this_user
from pagereeve.queries.noted_readings import judged


@dataclass(frozen=True, slots=True)
class PanelNote:
    """What somebody says. Who says it is seen, not said: the daemon knows whose process asks."""

    printer: str
    said: NotedReading

    def envelope(self, at_us: int) -> dict[str, Any]:
        """A CloudEvent of its own identity. Raises BadFact where the note is not whole."""
        noted = ReadingNoted(self.printer, Origin(READINGS_SOURCE, "", at_us, at_us), "", self.said)
        _, data = data_of(noted)
        data.pop(AUTHOR, None)
        require_plain_members(data, "data")
        event_of(READING_NOTED, noted.origin, {**data, AUTHOR: this_user().name})
        return envelope_of(READING_NOTED, READINGS_SOURCE, data, at_us)


def tell_daemon(socket: Path, note: PanelNote) -> str:
    """The id under which it is durable. Raises NoDaemon, NotTaken, BadFact."""
    envelope = note.envelope(SystemClock().now_us())
    send_event(socket, envelope)
    return str(envelope["id"])


async def note_by_hand(place: JournalPlace, note: PanelNote, is_known: Callable[[str], bool]) -> str:
    """Into a journal that no daemon may have open; the id. Raises BadFact, store.errors.CantOpen."""
    clock = SystemClock()
    envelope = note.envelope(clock.now_us())
    at_us = from_text(envelope["time"])
    origin = Origin(READINGS_SOURCE, str(envelope["id"]), at_us, at_us, at_us)
    event = event_of(READING_NOTED, origin, {**envelope["data"], AUTHOR: this_user().name})
    if not isinstance(event, ReadingNoted):
        raise TypeError(f"{READING_NOTED} makes no {type(event).__name__}")
    async with open_alone(place, clock) as journal:
        placed = await judged(journal, event, is_known)
        await journal.append(placed)
        await renew_rows(journal, clock, placed.printer, placed.origin.at_us)
    return origin.id
