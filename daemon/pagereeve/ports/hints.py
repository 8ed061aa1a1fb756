"""Which worker watches which printer, and does which single duty: hints that expire with the worker's sign of life.

Several workers may store what they learn at once, and keys alone say what counts: a hint spares work, and proves
nothing. Whoever lost one and has not noticed does no harm.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple, Protocol

LIFETIME_S: Final = 15.0
"""After its last sign of life, by the store's own clock, what a worker holds is anybody's."""
RENEW_EVERY_S: Final = 5.0
"""Two signs may come late or be lost."""

HintKind = Literal["printer", "duty"]
Duty = Literal["alerts", "badges", "forwarding", "titles"]
DUTIES: Final[tuple[Duty, ...]] = ("alerts", "badges", "forwarding", "titles")
"""What one worker alone does for all: it sends alerts, keeps the findings of badges, forwards what is sealed to
centres, erases titles of jobs in time.
"""


class Hint(NamedTuple):
    kind: HintKind
    name: str


def printers_of(hints: Collection[Hint]) -> frozenset[str]:
    return frozenset(one.name for one in hints if one.kind == "printer")


@dataclass(frozen=True, slots=True)
class Standing:
    """What is so as of a sign of life. ``workers`` are those alive, in order, and ``me`` is one of them. ``knows``: by
    worker, the printers that it offers; the same object for all that offer the same.
    """

    me: int
    workers: Sequence[int]
    mine: frozenset[Hint]
    knows: Mapping[int, frozenset[str]]


class Hints(Protocol):
    """One worker's view. Each method raises JournalUnavailable, and nothing has changed then that matters."""

    @property
    def lifetime_s(self) -> float | None:
        """None where nobody else can be: what is held is held for good."""
        ...

    async def open(self, known: Collection[Hint]) -> None:
        """``offer``, as the first of all that this worker asks."""
        ...

    async def offer(self, known: Collection[Hint]) -> None:
        """There are these to hold, from now on, and the printers among them are all that this worker can watch."""
        ...

    async def renew(self) -> Standing:
        """A sign of life: all that is still mine stays mine for ``lifetime_s``."""
        ...

    async def take(self, wanted: Sequence[Hint], most: int) -> Sequence[Hint]:
        """At most so many of ``wanted`` that nobody alive holds, the first of them first. Waits for nobody: what
        somebody else is just about to take or to write under is left out.
        """
        ...

    async def give_back(self, hints: Collection[Hint]) -> None:
        """They are anybody's; what is not mine stays as it is."""
        ...

    async def close(self) -> None:
        """All of mine is anybody's at once; nothing is raised where that can't be said: they expire."""
        ...
