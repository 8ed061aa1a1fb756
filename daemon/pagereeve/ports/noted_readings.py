"""What is asked of the store about noted readings of panels, by whoever judges them."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Protocol

from pagereeve.domain.facts.facts import PlateauRead, ReadingNoted
from pagereeve.ports.journal import OpenRun, StoredFact
from pagereeve.ports.queries import Growth


class MeterReads(Protocol):
    """What a printer's meter showed, as ports.reads says of methods of the same names."""

    def facts(self, printer: str, from_us: int | None = None) -> AsyncIterator[StoredFact]: ...

    async def open_run(self, printer: str) -> OpenRun | None: ...

    async def last_read(self, printer: str) -> PlateauRead | None: ...


class PanelReads(MeterReads, Protocol):
    def noted_readings(self) -> AsyncIterator[ReadingNoted]:
        """All of them, and what takes them back, in order of the instants at which they were read; in bounded pages."""
        ...

    async def growth(self, since_us: int) -> Growth: ...
