"""A proof's test pages, noted with the daemon that runs on this host: its pages are then no stray pages.

Their author is the user whose process asks: the socket says it. Without a daemon there is nothing to tell: one that
starts later finds the pages between two readings, and says so.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pagereeve.app.daemon_client import NoDaemon, NotTaken, send_event
from pagereeve.app.own_events import envelope_of
from pagereeve.domain.facts.events import PRINTER_NOTED
from pagereeve.domain.facts.in_force import PROVEN, TEST_PAGES
from pagereeve.ports.clock import Clock
from pagereeve.proof.plan import Noted

SOURCE: Final = "urn:pagereeve:proof"
TEXT: Final = "pagereeve prove"


@dataclass(frozen=True, slots=True)
class ProofNotes:
    """``socket`` is the daemon's local one."""

    socket: Path
    clock: Clock

    async def test_pages(self, printer: str) -> Noted:
        """Returns once the note is durable, or it is known why there is none."""
        try:
            await self._send(printer, TEST_PAGES)
        except NoDaemon:
            return Noted(
                f"no daemon runs at {self.socket}, so the pages are noted nowhere: one that is started later "
                "may report them as stray pages"
            )
        except NotTaken as error:
            return Noted(f"the pages are not noted, and may be reported as stray pages: {error}", refused=True)
        return Noted()

    async def proven(self, printer: str) -> Noted:
        """The proof passed, with pages: from now on it is known when. Returns as ``test_pages``."""
        try:
            await self._send(printer, PROVEN)
        except NoDaemon:
            return Noted(f"no daemon runs at {self.socket}, so it is noted nowhere that the proof passed")
        except NotTaken as error:
            return Noted(f"it is noted nowhere that the proof passed: {error}", refused=True)
        return Noted()

    async def _send(self, printer: str, note: str) -> None:
        data = {"printer": printer, "note": note, "text": TEXT}
        envelope = envelope_of(PRINTER_NOTED, SOURCE, data, self.clock.now_us())
        await asyncio.to_thread(send_event, self.socket, envelope)
