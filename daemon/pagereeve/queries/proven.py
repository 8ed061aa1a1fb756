"""When each printer was last proven with test pages, as far as the journal knows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

from pagereeve.domain.facts.facts import PrinterNoted
from pagereeve.domain.facts.in_force import PROVEN
from pagereeve.ports.journal import StoredFact


class StandingFacts(Protocol):
    """As ports.reads has it."""

    async def standing_facts(self, printer: str) -> Sequence[StoredFact]: ...


async def proven_of(reads: StandingFacts, printers: Iterable[str]) -> Mapping[str, int]:
    """Microseconds since 1970, by printer; one that was never proven is left out."""
    found: dict[str, int] = {}
    for printer in printers:
        for stored in await reads.standing_facts(printer):
            fact = stored.fact
            if isinstance(fact, PrinterNoted) and fact.note == PROVEN:
                found[printer] = max(found.get(printer, 0), fact.origin.at_us)
    return found
