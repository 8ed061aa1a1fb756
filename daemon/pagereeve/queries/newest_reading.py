"""What a printer's meter was last seen to show."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.facts.reading import Plateau
from pagereeve.ports.noted_readings import MeterReads
from pagereeve.ports.reads import Reads

ONE_BY_ONE_MAX: Final = 20
"""Of more printers the readings are asked for together: of all that are read, in bounded pages."""


async def newest_plateau(reads: MeterReads, printer: str) -> Plateau | None:
    """The run of readings under way, else the latest finished one; None where the meter never answered."""
    run = await reads.open_run(printer)
    read = run.fact if run is not None and isinstance(run.fact, PlateauRead) else await reads.last_read(printer)
    return None if read is None else read.plateau


async def newest_plateaus(held: Reads, printers: Collection[str]) -> Mapping[str, Plateau]:
    """The same of many, in a number of statements that hardly grows with them. ``held`` is of one moment."""
    wanted, found = set(printers), dict[str, Plateau]()
    if len(wanted) > ONE_BY_ONE_MAX:
        runs = {name: run.fact async for name, run in held.open_runs() if name in wanted}
        found = {name: run.plateau for name, run in runs.items() if isinstance(run, PlateauRead)}
        silent = runs.keys() - found.keys()
        if len(silent) > ONE_BY_ONE_MAX:
            found |= {one.printer: one.plateau async for one in held.last_reads() if one.printer in silent}
            wanted -= silent
    for name in sorted(wanted - found.keys()):
        newest = await newest_plateau(held, name)
        if newest is not None:
            found[name] = newest
    return found
