"""Where facts are kept, as the engine sees it: one printer's facts are written in order by one owner."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal, Protocol

from pagereeve.domain.facts.facts import Conflict, Fact, PlateauRead, ReadFailed
from pagereeve.domain.values.errors import PagereeveError

Hindrance = Literal[
    "no-space", "io-error", "read-only", "files-gone", "busy", "silent", "away", "outdated", "closed", "other"
]
"""Why a journal stores nothing."""
HINDRANCES: Final[Mapping[Hindrance, str]] = {
    "no-space": "the disk of the journal is full (ENOSPC)",
    "io-error": "the disk of the journal fails (EIO)",
    "read-only": "the disk of the journal can't be written (EROFS)",
    "files-gone": "a file of the journal is not where it was",
    "busy": "another process holds the journal",
    "silent": "the database of the journal gives no answer",
    "away": "the database of the journal is away",
    "outdated": "the journal was brought to a newer version",
    "closed": "the journal is closed",
    "other": "the journal can't store now",
}
"""Each in words that may leave the site's machine: no path, no name."""
CLAIMS_MAX: Final = 8
"""Different claims under one identity: that they differ is said, and more of them prove no more."""


class JournalUnavailable(PagereeveError):
    """Nothing is acknowledged: the disk is full, a file is gone or locked, the database is away, the journal is closed.
    Try again later.
    """

    def __init__(self, problem: str, hindrance: Hindrance = "other") -> None:
        super().__init__(problem)
        self.hindrance: Hindrance = hindrance


class Overtaken(PagereeveError):
    """Somebody else stored meanwhile what this rests on: nothing was stored. Read the journal again."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of an appended fact. ``seq`` is its number on its printer's timeline, from 1.

    ``duplicate``: the same event was stored before; nothing changed. ``conflict``: the same identity with other data
    was stored before; this one is kept aside, and ``seq`` is the number of the Conflict fact that says so, which is
    ``conflict`` where it is new. Of one event CLAIMS_MAX other claims are kept; of further ones nothing is stored
    (``is_new``), and ``seq`` is the last one's.
    ``notices`` comes with a start notice, and with an end notice under no printer: what was stored before it of the
    same release, whatever its printer. Of a start and an end that come at once, one sees the other.
    ``twins`` comes with an event that is new: (printer, instant) of each that another journal forwarded of it before.
    """

    outcome: Literal["stored", "duplicate", "conflict"]
    seq: int
    notices: tuple[Fact, ...] = field(default=(), compare=False)
    is_new: bool = field(default=True, compare=False)
    conflict: Conflict | None = field(default=None, compare=False)
    twins: tuple[tuple[str, int], ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class StoredFact:
    seq: int
    fact: Fact


@dataclass(frozen=True, slots=True)
class DamagedRow:
    """A stored row whose body is not what was written. ``seq`` is its number on its printer's timeline, 0 of an open
    run; ``kind`` is what it was.
    """

    printer: str
    seq: int
    kind: str


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

    async def append_together(self, facts: Sequence[Fact]) -> Sequence[Receipt]:
        """Store facts in one transaction, in order; returns once all are durable. Where it raises as ``append`` does,
        none is.
        """
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
