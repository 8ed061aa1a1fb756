"""When each printer was last proven with test pages, as far as the journal knows."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from typing import Protocol

from pagereeve.domain.facts.facts import PrinterNoted
from pagereeve.domain.facts.in_force import PROVEN


class PrinterNotes(Protocol):
    """As ports.reads has it."""

    def printer_notes(self) -> AsyncIterator[PrinterNoted]: ...


async def proven_of(reads: PrinterNotes) -> Mapping[str, int]:
    """Microseconds since 1970, by printer; one that was never proven is left out."""
    found: dict[str, int] = {}
    async for noted in reads.printer_notes():
        if noted.note == PROVEN:
            found[noted.printer] = max(found.get(noted.printer, 0), noted.origin.at_us)
    return found
