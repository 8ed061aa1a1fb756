"""Where facts are kept, as the engine sees it: one printer's facts are written in order by one owner."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field
from typing import Literal, Protocol

from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed
from pagereeve.domain.values.errors import PagereeveError


class JournalUnavailable(PagereeveError):
    """Nothing was stored: the disk is full, the file is locked, or the journal is closed. Try again later."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of an appended fact. ``seq`` is its number on its printer's timeline, from 1.

    ``duplicate``: the same event was stored before; nothing changed. ``conflict``: the same identity with other data
    was stored before; this one is kept aside, and ``seq`` is the number of the Conflict fact that says so.
    ``notices`` comes with a start notice, and with an end notice under no printer: what was stored before it of the
    same release, whatever its printer. Of a start and an end that come at once, one sees the other.
    """

    outcome: Literal["stored", "duplicate", "conflict"]
    seq: int
    notices: tuple[Fact, ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class StoredFact:
    seq: int
    fact: Fact


@dataclass(frozen=True, slots=True)
class OpenRun:
    """What a printer's meter is doing now: the plateau or silence that may still grow."""

    fact: PlateauRead | ReadFailed


class FactWrites(Protocol):
    async def append(self, fact: Fact) -> Receipt:
        """As Journal says."""
        ...


class Journal(Protocol):
    async def append(self, fact: Fact) -> Receipt:
        """Store a fact; returns once it is durable. Raises JournalUnavailable, and then nothing is stored."""
        ...

    async def observe(self, printer: str, sealed: Sequence[Fact], current: PlateauRead | ReadFailed) -> Sequence[int]:
        """Store finished plateaus and silences as facts, and put ``current`` in the place of the printer's open one.

        All in one transaction. Returns the numbers of ``sealed``.
        """
        ...

    def facts(self, printer: str, from_us: int | None = None) -> AsyncIterator[StoredFact]:
        """A printer's facts whose instant is ``from_us`` or later, in order of their numbers; without the open one."""
        ...

    async def open_run(self, printer: str) -> OpenRun | None: ...
