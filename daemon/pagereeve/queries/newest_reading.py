"""What a printer's meter was last seen to show."""

from __future__ import annotations

from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.facts.reading import Plateau
from pagereeve.ports.noted_readings import MeterReads


async def newest_plateau(reads: MeterReads, printer: str) -> Plateau | None:
    """The run of readings under way, else the latest finished one; None where the meter never answered."""
    run = await reads.open_run(printer)
    read = run.fact if run is not None and isinstance(run.fact, PlateauRead) else await reads.last_read(printer)
    return None if read is None else read.plateau
