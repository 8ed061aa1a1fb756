"""Which printers somebody works on, whoever watches them: their alerts are held back meanwhile."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from pagereeve.domain.facts.facts import PrinterNoted
from pagereeve.domain.facts.in_force import MAINTENANCE_LONGEST_US, MAINTENANCE_MARKS, maintenance_since_us
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import Clock

READ_EVERY_US: Final = 60 * SECOND_US
"""Of notes that come from other journals nobody tells."""


class NoteReads(Protocol):
    def printer_notes(self) -> AsyncIterator[PrinterNoted]:
        """As ports.queries.FactQueries says."""
        ...


@dataclass(slots=True)
class MaintenanceMarks:
    """As the journal has them: what came in here and what other workers stored. Read anew once a note came."""

    store: NoteReads
    clock: Clock
    _notes: Mapping[str, Sequence[PrinterNoted]] = field(default_factory=dict)
    _is_old: bool = True
    _next_us: int = 0

    def changed(self) -> None:
        """A note was stored, or dates of some were moved."""
        self._is_old = True

    async def refresh(self) -> None:
        """Raises JournalUnavailable; then it is read the next time."""
        if not self._is_old and self.clock.monotonic_us() < self._next_us:
            return
        self._is_old = False
        since_us = self.clock.now_us() - MAINTENANCE_LONGEST_US
        notes: dict[str, list[PrinterNoted]] = {}
        try:
            async for note in self.store.printer_notes():
                if note.note in MAINTENANCE_MARKS and note.origin.at_us > since_us:
                    notes.setdefault(note.printer, []).append(note)
        except BaseException:
            self._is_old = True
            raise
        self._notes = notes
        self._next_us = self.clock.monotonic_us() + READ_EVERY_US

    def holds(self, printer: str, at_us: int) -> bool:
        begun_us = maintenance_since_us(self._notes.get(printer, ()), at_us)
        return begun_us is not None and at_us - begun_us < MAINTENANCE_LONGEST_US
