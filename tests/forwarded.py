"""A site's sealed facts as they reach a centre."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.domain.facts.facts import Fact, Redated
from pagereeve.domain.forwarding.batch import SealedPlace
from pagereeve.ports.origins import ForwardedFact
from pagereeve.store.memory.journal import MemoryJournal


async def site_of(facts: Sequence[Fact]) -> MemoryJournal:
    """A site's journal, which has an id of its own."""
    journal = MemoryJournal()
    for fact in facts:
        await (journal.redate([fact]) if isinstance(fact, Redated) else journal.append(fact))
    return journal


def sealed(journal: MemoryJournal, after: int = 0) -> list[ForwardedFact]:
    """All that it has sealed behind a place."""
    return [
        ForwardedFact(
            row.sealed.position, SealedPlace(row.printer, row.seq, row.sealed.link), row.body, row.sealed.openings
        )
        for row in journal._rows()
        if row.sealed.position > after
    ]
