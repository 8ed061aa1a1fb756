"""What is asked of the store about decisions on pages, by whoever judges them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from typing import Protocol

from pagereeve.domain.facts.facts import PagesDecided
from pagereeve.domain.ledger import Charge, Posting, Stretch
from pagereeve.ports.journal import Overtaken, Receipt


class DecidedMeanwhile(Overtaken):
    """The same author decided on other pages since they were counted: count again."""


class DecisionReads(Protocol):
    """As ports.ledger says of methods of the same names."""

    def page_decisions(self) -> AsyncIterator[PagesDecided]:
        """All of them, by their instants, in bounded pages."""
        ...

    async def charges_of(self, release: str) -> Sequence[Charge]: ...

    async def stretches(self, printer: str, from_us: int, to_us: int) -> Sequence[Stretch]: ...

    def postings(self, from_us: int, to_us: int) -> AsyncIterator[Posting]: ...


class DecisionStore(DecisionReads, Protocol):
    """What a limit of decisions needs, of one worker or several."""

    async def last_position(self) -> int:
        """As ports.seal.SealReads says: all that has a place up to there is read by whoever reads from now on."""
        ...

    async def append_counted(self, decided: PagesDecided, counted: int) -> Receipt:
        """Unless another decision of its author has a place behind ``counted``: that is found out in the transaction
        that stores it, so that of two at once one raises DecidedMeanwhile. Raises as ``append`` does besides.
        """
        ...
