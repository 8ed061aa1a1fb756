"""Finding the seed from which a projection can begin again, in whatever holds the sheaves."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol, TypeVar

from pagereeve.domain.ledger import Sheaf
from pagereeve.domain.values.errors import BadFact


class SheafReads(Protocol):
    async def sheaf_before(self, printer: str, at_us: int) -> Sheaf | None:
        """As ports.ledger says."""
        ...


class HasInstant(Protocol):
    @property
    def at_us(self) -> int: ...


AnySeed = TypeVar("AnySeed", bound=HasInstant)


async def seed_before(
    reads: SheafReads, printer: str, before_us: int, read: Callable[[Any], AnySeed]
) -> AnySeed | None:
    """The latest stored seed that lies before ``before_us``; None where there is none, or of another version."""
    at_us = before_us - 1
    for _ in range(2):
        sheaf = await reads.sheaf_before(printer, at_us)
        if sheaf is None or sheaf.seed is None:
            return None
        try:
            seed = read(sheaf.seed)
        except BadFact:
            # Another version of the projection left it: begin anew, from the first fact.
            return None
        if seed.at_us < before_us:
            return seed
        # This sheaf holds the instant: its own beginning is the seed of the one before.
        at_us = sheaf.anchor_us - 1
    return None
