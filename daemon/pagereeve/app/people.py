"""What a person at a terminal says of persons, on its way into the journal: by the daemon, or directly if none runs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon_client import NoDaemon, NotTaken, send_people
from pagereeve.app.people_door import FACTS_MAX, people_body
from pagereeve.app.site_record import append_all
from pagereeve.domain.facts.facts import Fact
from pagereeve.store.errors import CantOpen
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads


async def said_so_far(journal: Path) -> list[Fact]:
    """Nothing where no daemon ever ran. Raises CantOpen."""
    if not journal.exists():  # noqa: ASYNC240 - once, and nobody waits
        return []
    async with await SqlReads.open_for_reading(journal) as reads:
        return [fact async for fact in reads.people_facts()]


async def say_people(socket: Path, journal: Path, facts: Sequence[Fact], *, only_daemon: bool) -> bool:
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
        store = await SqlJournal.open(journal, SystemClock())
    except CantOpen as error:
        raise NotTaken(f"{error}; or name the daemon's local socket: --socket PATH") from error
    try:
        await append_all(store, facts)
    finally:
        await store.close()
    return False
