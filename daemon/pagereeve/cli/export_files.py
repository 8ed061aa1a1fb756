"""Writing an export: to stdout, or to a file with what makes it add up beside it."""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final, Literal, Protocol

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from pagereeve.app.zone_database import zone_database
from pagereeve.cli.output import complain, is_replaced, output_file
from pagereeve.cli.site import Site
from pagereeve.domain.accounts.adjustment_rows import adjusted
from pagereeve.domain.accounts.export_rows import ExportBy, ExportRow
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.queries.closed_periods import closed_as, closed_export
from pagereeve.queries.exports import Export, export_of
from pagereeve.reports.closing import made_of_line
from pagereeve.reports.exports.account import Account, Made
from pagereeve.reports.exports.columns import Column, columns_of
from pagereeve.reports.exports.csv_file import CsvFile, CsvForm
from pagereeve.reports.exports.json_file import JsonFile

FileFormat = Literal["csv", "json", "xlsx", "parquet"]
SIDECAR: Final = ".account.json"
BINARY: Final[frozenset[FileFormat]] = frozenset({"xlsx", "parquet"})
HOLDS_ITS_ACCOUNT: Final[frozenset[FileFormat]] = frozenset({"json", "xlsx"})


@dataclass(frozen=True, slots=True)
class Wanted:
    period: Period
    by: ExportBy
    format: FileFormat
    form: CsvForm
    out: Path | None


class RowFile(Protocol):
    def write(self, row: ExportRow) -> None: ...

    def end(self, account: Account) -> None:
        """All rows have passed."""
        ...

    def abandon(self) -> None:
        """Not all will come."""
        ...


async def write_export(reads: Reads, wanted: Wanted, site: Site) -> Export:
    """All of it is of one moment. Raises BadQuestion."""
    if wanted.format in BINARY and wanted.out is None and sys.stdout.isatty():
        raise BadQuestion("--output", f"is needed: {wanted.format} is nothing for a terminal")
    columns = columns_of(wanted.by, wanted.period.zone)
    async with reads.snapshot() as held:
        closed = await closed_as(held, wanted.period)
        export, made = await _made(held, wanted, site) if closed is None else await _made_of(held, wanted, closed)
        with ExitStack() as files:
            # It is opened first, so that the rows do not appear where it can't.
            sidecar = _sidecar(wanted, files)
            with output_file(wanted.out) as file:
                writer = _writer(file, wanted, columns, made, export)
                rows, account = await _write_rows(writer, export)
            if sidecar is not None and wanted.out is not None:
                body = made.body() | _digest(wanted.out) | {"rows": rows} | account.body()
                body["columns"] = {one.name: one.about for one in columns}
                sidecar.write(json.dumps(body, indent=2, ensure_ascii=False).encode() + b"\n")
    return export


async def _made(held: Reads, wanted: Wanted, site: Site) -> tuple[Export, Made]:
    export = await export_of(held, wanted.period, wanted.by)
    database = zone_database(wanted.period.zone.key)
    return export, Made(wanted.period, wanted.by, export.seal, database, site.zone_from)


async def _made_of(held: Reads, wanted: Wanted, closed: ClosedPeriod) -> tuple[Export, Made]:
    """Of the frozen rows alone."""
    export = await closed_export(held, closed, wanted.by)
    made = Made(export.period, wanted.by, export.seal, closed.closing.database, "close", closed)
    complain(made_of_line(closed, export.period.zone))
    return export, made


async def _write_rows(writer: RowFile, export: Export) -> tuple[int, Account]:
    """How many, and what makes them add up."""
    rows = 0
    try:
        with _progress(export) as seen:
            async for row in export.rows:
                writer.write(row)
                rows += 1
                seen(row)
        account = Account(export.accounts, export.adding.differences, adjusted(export.corrections))
        writer.end(account)
    except BaseException:
        # On a full disk this fails again; the first error is the one to report.
        with suppress(OSError, ValueError):
            writer.abandon()
        raise
    return rows, account


def _sidecar(wanted: Wanted, files: ExitStack) -> BinaryIO | None:
    """None where the format holds its account, and where a pipe or a device has nothing beside it."""
    out = wanted.out
    if out is None or wanted.format in HOLDS_ITS_ACCOUNT or not is_replaced(out):
        return None
    return files.enter_context(output_file(out.with_name(out.name + SIDECAR)))


def _digest(out: Path) -> dict[str, str]:
    with out.open("rb") as file:
        return {"file": out.name, "sha256": hashlib.file_digest(file, "sha256").hexdigest()}


def _writer(file: BinaryIO, wanted: Wanted, columns: Sequence[Column], made: Made, export: Export) -> RowFile:
    match wanted.format:
        case "csv":
            return CsvFile(file, columns, wanted.form)
        case "json":
            return JsonFile(file, wanted.by, made)
        case "xlsx":
            # It takes a moment to import.
            from pagereeve.reports.exports.xlsx_file import XlsxFile  # noqa: PLC0415 - see above

            return XlsxFile(file, columns, made, export.steps if wanted.by == "release" else 0)
        case "parquet":
            return _parquet(file, columns, made)


def _parquet(file: BinaryIO, columns: Sequence[Column], made: Made) -> RowFile:
    try:
        from pagereeve.reports.exports.parquet_file import ParquetFile  # noqa: PLC0415 - an extra
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "pyarrow":
            raise
        raise BadQuestion("--format", "parquet needs pyarrow: pip install 'pagereeve[parquet]'") from error
    return ParquetFile(file, columns, made)


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
