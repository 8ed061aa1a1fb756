"""What others store in the same journal, as it comes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from pagereeve.domain.facts.facts import Fact
from pagereeve.ports.gates import Gates


@dataclass(frozen=True, slots=True)
class FollowedFact:
    """``position`` is the seal's, in which facts were stored; ``seq`` its number on its printer's timeline."""

    position: int
    seq: int
    fact: Fact


@dataclass(frozen=True, slots=True)
class FollowedPage:
    """All that others stored up to ``through``. ``more``: there may be some behind it already."""

    facts: Sequence[FollowedFact]
    through: int
    more: bool = False


class Following(Protocol):
    """For one task. It begins where the journal stood as it was opened: what is read of it later holds the rest."""

    async def page(self, limit: int) -> FollowedPage:
        """What others stored next, in the order in which it was stored: of each timeline in order of its numbers. Of
        ``limit`` facts those of this process are left out. The same comes again until ``passed``, so that nothing is
        lost where somebody fails in between; what this process stored without an answer comes, too. A row that can't be
        read is left out. Raises JournalUnavailable.
        """
        ...

    def passed(self, page: FollowedPage) -> None:
        """All of it was taken."""
        ...

    async def news(self) -> None:
        """Until others may have stored something. Whether they did only ``page`` can tell: to be woken is a hint, and
        it returns after ``longest_s`` in any case.
        """
        ...

    @property
    def longest_s(self) -> float: ...

    @property
    def gates(self) -> Gates: ...

    async def close(self) -> None:
        """A second call does nothing."""
        ...
