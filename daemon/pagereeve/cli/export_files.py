"""Writing an export: to stdout, or to a file with what makes it add up beside it."""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import BinaryIO, Final

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from pagereeve.app.zone_database import zone_database
from pagereeve.cli.output import complain, is_replaced, output_file
from pagereeve.cli.site import Site
from pagereeve.domain.accounts.export_rows import ExportRow
from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.reads import Reads
from pagereeve.queries.exports import Export
from pagereeve.reports.closing import made_of_line
from pagereeve.reports.exports.columns import columns_of
from pagereeve.reports.exports.making import FileFormat, begin_export, write_whole, writer_of
from pagereeve.reports.exports.making import Wanted as WantedRows
from pagereeve.reports.sites_behind import behind_line

SIDECAR: Final = ".account.json"
BINARY: Final[frozenset[FileFormat]] = frozenset({"xlsx", "parquet"})
HOLDS_ITS_ACCOUNT: Final[frozenset[FileFormat]] = frozenset({"json", "xlsx"})


@dataclass(frozen=True, slots=True)
class Wanted(WantedRows):
    out: Path | None = None


async def write_export(reads: Reads, wanted: Wanted, site: Site) -> Export:
    """All of it is of one moment. Raises BadQuestion."""
    if wanted.format in BINARY and wanted.out is None and sys.stdout.isatty():
        raise BadQuestion("--output", f"is needed: {wanted.format} is nothing for a terminal")
    columns = columns_of(wanted.by, wanted.period.zone)
    async with reads.snapshot() as held:
        export, made = await begin_export(held, wanted, site.zone_from, zone_database)
        if made.closed is not None:
            complain(made_of_line(made.closed, export.period.zone))
        if made.sites_behind:
            complain(behind_line(made.sites_behind, partial(local_text, zone=export.period.zone)))
        with ExitStack() as files:
            # It is opened first, so that the rows do not appear where it can't.
            sidecar = _sidecar(wanted, files)
            with output_file(wanted.out) as file:
                writer = writer_of(file, wanted, columns, made, export)
                with _progress(export) as seen:
                    rows, account = await write_whole(writer, export, seen)
            if sidecar is not None and wanted.out is not None:
                body = made.body() | _digest(wanted.out) | {"rows": rows} | account.body()
                body["columns"] = {one.name: one.about for one in columns}
                sidecar.write(json.dumps(body, indent=2, ensure_ascii=False).encode() + b"\n")
    return export


def _sidecar(wanted: Wanted, files: ExitStack) -> BinaryIO | None:
    """None where the format holds its account, and where a pipe or a device has nothing beside it."""
    out = wanted.out
    if out is None or wanted.format in HOLDS_ITS_ACCOUNT or not is_replaced(out):
        return None
    return files.enter_context(output_file(out.with_name(out.name + SIDECAR)))


def _digest(out: Path) -> dict[str, str]:
    with out.open("rb") as file:
        return {"file": out.name, "sha256": hashlib.file_digest(file, "sha256").hexdigest()}


@contextmanager
def _progress(export: Export) -> Iterator[Callable[[ExportRow], None]]:
    """How far it is, on a terminal only and where there is more to go through than to add up."""
    if export.by not in {"day", "release"} or not sys.stderr.isatty():
        yield lambda row: None  # noqa: ARG005 - nothing is shown
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task("days" if export.by == "day" else "releases", total=export.steps)
        passed = ""

        def seen(row: ExportRow) -> None:
            nonlocal passed
            if row.kind == "people" and (row.charge is not None or row.who != passed):
                passed = row.who
                bars.advance(task)

        yield seen
