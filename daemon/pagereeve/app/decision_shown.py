"""A decision, told to the daemon, is in the rows that commands read when the command that told it returns.

The daemon answers once a decision is durable; the rows are projected again a moment later. A command that returned in
between would let the next one show the finding as if nobody had spoken.
"""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import Final

from pagereeve.app.decisions import DecisionRequest, tell_daemon
from pagereeve.app.journals import JournalPlace, reads_of
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.queries.decisions import DecisionsShown, decisions_on, is_followed
from pagereeve.store.errors import CantOpen

LONGEST_S: Final = 10.0
EVERY_S: Final = 0.05


def tell_until_shown(
    socket: Path, journal: JournalPlace | None, said: DecisionRequest, *, longest_s: float = LONGEST_S
) -> bool:
    """Whether its finding's rows show it, at last after ``longest_s``; durable it is in any case.

    True as well where this user can't read the journal: neither could a later command of theirs. Raises NoDaemon,
    NotTaken.
    """
    before = None if journal is None else asyncio.run(_shown_now(journal, said.finding))
    tell_daemon(socket, said)
    if journal is None or before is None:
        return True
    return asyncio.run(_until_followed(journal, said, before, longest_s))


async def _shown_now(journal: JournalPlace, finding: str) -> DecisionsShown | None:
    try:
        async with await reads_of(journal) as reads:
            return await decisions_on(reads, finding)
    except (CantOpen, JournalUnavailable):
        return None


async def _until_followed(
    journal: JournalPlace, said: DecisionRequest, before: DecisionsShown, longest_s: float
) -> bool:
    ends_s = time.monotonic() + longest_s
    async with await reads_of(journal) as reads:
        while not await is_followed(reads, said.finding, before, said.at):
            if time.monotonic() > ends_s:
                return False
            await asyncio.sleep(EVERY_S)
    return True
