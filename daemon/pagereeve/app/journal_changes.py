"""What the daemon does when its journal stores nothing, and when it stores again."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from pagereeve.app import log_lines as told
from pagereeve.app.journals import RunningJournal


@dataclass(slots=True)
class JournalChanges:
    """``outdated`` is set once a newer version shut this one out: the daemon is to end then."""

    store: RunningJournal
    look_again: Callable[[], None]
    why: str = ""
    outdated: asyncio.Event = field(default_factory=asyncio.Event)

    def changed(self, why: str) -> None:
        """Empty where it stores again."""
        self.why = why
        told.journal(why)
        if not why:
            self.look_again()
        elif self.store.health().hindrance == "outdated":
            self.outdated.set()
