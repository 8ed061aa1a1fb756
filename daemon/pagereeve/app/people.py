"""What a person at a terminal says of persons, on its way into the journal: by the daemon, or directly if none runs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon_client import NoDaemon, NotTaken, send_people
from pagereeve.app.journals import JournalPlace, open_alone, reads_if_any
from pagereeve.app.people_door import FACTS_MAX, people_body
from pagereeve.app.site_record import append_all
from pagereeve.domain.facts.facts import Fact
from pagereeve.store.errors import CantOpen


async def said_so_far(place: JournalPlace) -> list[Fact]:
    """Nothing where no daemon ever ran. Raises CantOpen."""
    reads = await reads_if_any(place)
    if reads is None:
        return []
    async with reads:
        return [fact async for fact in reads.people_facts()]


async def say_people(socket: Path, place: JournalPlace, facts: Sequence[Fact], *, only_daemon: bool) -> bool:
    """Whether a daemon stored it; else it is in the journal. Raises NoDaemon, NotTaken, CantOpen.

    A long list goes in parts: where one fails, those before it are stored, and the list once more brings the rest.
    """
    try:
        for first in range(0, len(facts), FACTS_MAX):
            send_people(socket, people_body(facts[first : first + FACTS_MAX]))
    except NoDaemon:
        if only_daemon:
            raise
    else:
        return True
    try:
        async with open_alone(place, SystemClock(), may_make=True) as store:
            await append_all(store, facts)
    except CantOpen as error:
        raise NotTaken(f"{error}; or name the daemon's local socket: --socket PATH") from error
    return False
