"""Rows of a period of which pages are lost, each by itself."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Protocol

from pagereeve.domain.ledger import Charge, Posting, Stretch


class LossReads(Protocol):
    def house_postings(self, from_us: int, to_us: int) -> AsyncIterator[tuple[Posting, Stretch | None]]:
        """Postings of stretches that closed in [from_us, to_us) of which a house account received pages, in no order;
        each with the stretch that it was made of. Memory in proportion to those of some printers.
        """
        ...

    def doubtful_charges(self, from_us: int, to_us: int) -> AsyncIterator[Charge]:
        """Charges of releases started in [from_us, to_us) with unproven pages, or without a verdict; in no order."""
        ...
