"""``pagereeve facts``."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pagereeve.cli.journal import damaged_line, open_reads
from pagereeve.cli.options import CONFIG_DEFAULT, Config, DataDir
from pagereeve.cli.output import complain, output_file
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.visible import visible
from pagereeve.ports.journal import DamagedRow
from pagereeve.reports.facts_file import fact_lines, line_bytes


def facts(
    *,
    printer: Annotated[
        str | None, Parameter(help="Only this printer's facts; without its people's cost centres.")
    ] = None,
    out: Annotated[Path | None, Parameter(help="Output file, replaced atomically.")] = None,
    config: Config = CONFIG_DEFAULT,
    data_dir: DataDir = None,
) -> int:
    """Write the journal's facts as NDJSON, one fact a line, in canonical bytes (RFC 8785).

    They hold names of people, and hashes in the place of badge numbers: handle the file accordingly.
    A damaged row is named, and stands in the file as such. Exit status 1 if there is one.
    """
    damaged = asyncio.run(_write(config, data_dir, printer, out))
    for row in damaged:
        complain(visible(damaged_line(row)))
    return 1 if damaged else 0


async def _write(config: Path, data_dir: Path | None, printer: str | None, out: Path | None) -> Sequence[DamagedRow]:
    async with open_reads(config, data_dir) as reads:
        if printer is not None and printer not in await reads.printers():
            raise BadQuestion("--printer", f"no facts of a printer {printer[:60]!r} are known; names are exact")
        with output_file(out) as file:
            async for line in fact_lines(reads, printer):
                file.write(line_bytes(line) + b"\n")
        return reads.damaged()
