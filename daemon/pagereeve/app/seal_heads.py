"""The journal's head leaves the machine: in the log at start, stop and each hour, and for whoever asks over HTTP.

Who keeps one elsewhere can tell later whether the journal was made anew (``pagereeve verify --head``).
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Any, Final

from pagereeve.domain.values.instants import to_text
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.seal import SealHeads
from pagereeve.queries.verify import journal_heads
from pagereeve.reports.seal import head_json
from pagereeve.telemetry.repeated import Speaker

LOG_EVERY_S: Final = 3_600.0


class SealLog:
    """``run`` tells the log each hour whether or not a fact came: that none came is worth to be known too."""

    def __init__(self, journal: SealHeads, clock: Clock, speaker: Speaker) -> None:
        self._journal = journal
        self._clock = clock
        self._speaker = speaker
        self.heartbeat = Heartbeat(clock)

    async def run(self) -> None:
        while True:
            self.heartbeat.rests(LOG_EVERY_S)
            await self._clock.sleep(LOG_EVERY_S)
            self.heartbeat.does("notes the journal's head", STORE_LONGEST_S)
            await self.note()
            self.heartbeat.succeeded()

    async def note(self) -> None:
        try:
            members = await self.answer()
        except JournalUnavailable as error:
            self._speaker.log(logging.WARNING, "the journal's head can't be read", why=str(error))
        else:
            self._speaker.log(logging.INFO, "the journal is sealed", **members)

    async def answer(self) -> Mapping[str, Any]:
        """Raises JournalUnavailable."""
        head = await journal_heads(self._journal)
        members = {} if head is None else head_json(head)
        return members | {"time": to_text(self._clock.now_us())}
