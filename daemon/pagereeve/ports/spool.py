"""What waits on this machine's own disk while the database of the journal is away: what nobody would send again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from pagereeve.domain.facts.facts import BadgePresented, BadgeUnreadable, PlateauRead, ReadFailed
from pagereeve.domain.values.errors import PagereeveError

Spoolable = BadgePresented | BadgeUnreadable
Run = PlateauRead | ReadFailed


class NotSpooled(PagereeveError):
    """It found no room, or the disk does not take it. Nothing of it was kept."""


@dataclass(frozen=True, slots=True)
class SpooledEvent:
    """``event`` is None where its row can't be read any more."""

    number: int
    event: Spoolable | None


@dataclass(frozen=True, slots=True)
class SpooledRuns:
    """Of one printer: finished runs in their order, the number of the last, and the one that may still grow.

    ``unread``: rows among them that can't be read any more.
    """

    sealed: Sequence[Run] = ()
    through: int = 0
    current: Run | None = None
    unread: int = 0


@dataclass(frozen=True, slots=True)
class SpoolFigures:
    """``events`` and ``runs`` wait, in ``size_bytes`` of ``size_max_bytes``. Since the process began: ``replayed`` are
    in the journal now, ``refused`` found no room here (each once, however often it was tried), ``unusable`` could not
    be read, or the journal takes them never.
    """

    events: int = 0
    runs: int = 0
    size_bytes: int = 0
    size_max_bytes: int = 0
    replayed: int = 0
    refused: int = 0
    unusable: int = 0


class EventSpool(Protocol):
    """Events whose senders get no answer, badge numbers hashed. All methods raise NotSpooled where the disk fails."""

    @property
    def waiting_events(self) -> int: ...

    async def keep_event(self, event: Spoolable) -> None:
        """Durable on return, behind those that wait."""
        ...

    async def events(self, most: int) -> Sequence[SpooledEvent]:
        """The oldest, in order."""
        ...

    async def drop_events(self, through: int, unusable: int = 0) -> None:
        """They are in the journal; of ``unusable`` nothing can come."""
        ...


class RunSpool(Protocol):
    """Readings. All methods raise NotSpooled where the disk fails."""

    def has_runs(self, printer: str) -> bool: ...

    async def keep_runs(self, printer: str, sealed: Sequence[Run], current: Run) -> None:
        """Durable on return: ``sealed`` behind those that wait, ``current`` in the place of the one before."""
        ...

    async def runs(self, printer: str, most: int) -> SpooledRuns:
        """The oldest, in order."""
        ...

    async def drop_runs(self, printer: str, runs: SpooledRuns) -> None:
        """They are in the journal, and with the last of them the one that may still grow."""
        ...
