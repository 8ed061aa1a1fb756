"""Making an export, wherever it goes: what it is made from, the writer of its format, and its rows one by one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import BinaryIO, Final, Literal, Protocol

from pagereeve.domain.accounts.adjustment_rows import adjusted
from pagereeve.domain.accounts.export_rows import ExportBy, ExportRow
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.ports.reads import Reads
from pagereeve.queries.closed_periods import closed_as, closed_export
from pagereeve.queries.exports import Export, export_of
from pagereeve.reports.exports.account import Account, Made, ZoneFrom
from pagereeve.reports.exports.columns import Column
from pagereeve.reports.exports.csv_file import CsvFile, CsvForm
from pagereeve.reports.exports.json_file import JsonFile

FileFormat = Literal["csv", "json", "xlsx", "parquet"]
ZoneDatabase = Callable[[str], str]
"""The version of the time zone database that a zone comes from."""
PLAIN: Final = CsvForm()


class RowFile(Protocol):
    def write(self, row: ExportRow) -> None: ...

    def end(self, account: Account) -> None:
        """All rows have passed."""
        ...

    def abandon(self) -> None:
        """Not all will come."""
        ...


@dataclass(frozen=True, slots=True)
class Wanted:
    period: Period
    by: ExportBy
    format: FileFormat
    form: CsvForm = PLAIN


async def begin_export(
    held: Reads, wanted: Wanted, zone_from: ZoneFrom, database_of: ZoneDatabase
) -> tuple[Export, Made]:
    """Of a closed period from its frozen rows alone; ``held`` is of one moment. Raises BadQuestion or NotClosed."""
    closed = await closed_as(held, wanted.period)
    if closed is not None:
        return await _begin_closed(held, wanted, closed)
    export = await export_of(held, wanted.period, wanted.by)
    database = database_of(wanted.period.zone.key)
    behind = export.sites_behind
    return export, Made(wanted.period, wanted.by, export.seal, database, zone_from, sites_behind=behind)


async def _begin_closed(held: Reads, wanted: Wanted, closed: ClosedPeriod) -> tuple[Export, Made]:
    export = await closed_export(held, closed, wanted.by)
    return export, Made(export.period, wanted.by, export.seal, closed.closing.database, "close", closed)


async def write_rows(
    writer: RowFile, export: Export, seen: Callable[[ExportRow], None] = lambda _: None
) -> tuple[int, Account]:
    """All rows, without the writer's end: how many there are, and what makes them add up."""
    rows = 0
    async for row in export.rows:
        writer.write(row)
        rows += 1
        seen(row)
    return rows, Account(export.accounts, export.adding.differences, adjusted(export.corrections))


async def write_whole(
    writer: RowFile, export: Export, seen: Callable[[ExportRow], None] = lambda _: None
) -> tuple[int, Account]:
    """All rows and what follows them; where anything fails, nothing of them is left behind."""
    try:
        rows, account = await write_rows(writer, export, seen)
        writer.end(account)
    except BaseException:
        # On a full disk this fails again; the first error is the one to report.
        with suppress(OSError, ValueError):
            writer.abandon()
        raise
    return rows, account


def writer_of(file: BinaryIO, wanted: Wanted, columns: Sequence[Column], made: Made, export: Export) -> RowFile:
    """Raises BadQuestion where that format can't be made."""
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
