"""What is asked of the store about decisions on pages, by whoever judges them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from typing import Protocol

from pagereeve.domain.facts.facts import PagesDecided
from pagereeve.domain.ledger import Charge, Posting, Stretch


class DecisionReads(Protocol):
    """As ports.ledger says of methods of the same names."""

    def page_decisions(self) -> AsyncIterator[PagesDecided]:
        """All of them, by their instants, in bounded pages."""
        ...

    async def charges_of(self, release: str) -> Sequence[Charge]: ...

    async def stretches(self, printer: str, from_us: int, to_us: int) -> Sequence[Stretch]: ...

    def postings(self, from_us: int, to_us: int) -> AsyncIterator[Posting]: ...
