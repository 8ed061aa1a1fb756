"""``/v1/exports/{by}``: the rows of a period as a file, to the byte the one that the command writes."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query
from pydantic import Field
from starlette.responses import Response

from pagereeve.console.api.asked_period import PeriodAsked
from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.context import ApiContext, Context
from pagereeve.console.api.etags import CACHED
from pagereeve.console.api.file_names import attachment
from pagereeve.console.api.nameless import made_shown
from pagereeve.console.api.problems import ApiProblem, responses
from pagereeve.console.api.resources.totals import OF_PERSONS, zone_from
from pagereeve.console.api.spool import Spool
from pagereeve.console.api.spooled_answer import SpooledAnswer
from pagereeve.console.api.yielding import yielding
from pagereeve.domain.accounts.export_rows import ExportBy
from pagereeve.queries.exports import Export
from pagereeve.reports.exports.account import Account
from pagereeve.reports.exports.columns import columns_of
from pagereeve.reports.exports.csv_file import CsvForm, DecimalSign, Delimiter, Locale
from pagereeve.reports.exports.making import FileFormat, RowFile, Wanted, begin_export, write_rows, writer_of

router = APIRouter(tags=["accounts"])

ExportFormat = FileFormat
MEDIA_TYPES: Final[Mapping[ExportFormat, str]] = {
    "csv": "text/csv",
    "json": "application/json",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    # https://www.iana.org/assignments/media-types/application/vnd.apache.parquet
    "parquet": "application/vnd.apache.parquet",
}
XLSX_ROWS_MAX: Final = 100_000
"""A workbook is sent when it is whole; so long a reader waits (contrib/bench/exports.py)."""
_FORM: Final = ("locale", "delimiter", "decimal", "bom")
_SCHEMAS: Final[dict[str, Any]] = {
    MEDIA_TYPES["csv"]: {"schema": {"type": "string"}},
    MEDIA_TYPES["json"]: {"schema": {"type": "object"}},
    MEDIA_TYPES["xlsx"]: {"schema": {"type": "string", "format": "binary"}},
    MEDIA_TYPES["parquet"]: {"schema": {"type": "string", "format": "binary"}},
}


class ExportQuestion(PeriodAsked):
    """``locale``, ``delimiter``, ``decimal`` and ``bom`` are of CSV, as the command's options of these names."""

    format_: ExportFormat = Field(default="csv", alias="format")
    locale: Locale | None = Field(default=None, description="CSV as a spreadsheet of that language reads it.")
    delimiter: Delimiter | None = Field(default=None, description="Separator of the CSV; wins over locale.")
    decimal: DecimalSign | None = Field(default=None, description="Decimal sign of the CSV; wins over locale.")
    bom: bool | None = Field(default=None, description="Start the CSV with a byte order mark; so does locale.")

    def form(self) -> CsvForm:
        """Raises ApiProblem where another format is asked for: it would change nothing in silence."""
        said = next((name for name in _FORM if getattr(self, name) is not None), None)
        if said is not None and self.format_ != "csv":
            raise ApiProblem("bad-parameter", said, "is of CSV alone; leave it out, or ask for format=csv")
        return CsvForm.of(self.locale, self.delimiter, self.decimal, bom=self.bom)


@dataclass(frozen=True, slots=True)
class _Making:
    context: ApiContext
    asker: Asker
    wanted: Wanted
    spool: Spool

    async def make(self) -> None:
        """All rows into the spool; the snapshot ends with the rows."""
        async with self.context.long_question() as held:
            export, made = await begin_export(held, self.wanted, zone_from(self.context), self.context.zone_database)
            _refuse_too_many(self.wanted, export)
            columns = columns_of(self.wanted.by, self.wanted.period.zone)
            writer = writer_of(self.spool.file, self.wanted, columns, made_shown(made, self.asker), export)
            self.spool.begun()
            account = await _rows(writer, export, self.spool)
        await _end(writer, account)


def _refuse_too_many(wanted: Wanted, export: Export) -> None:
    if wanted.format == "xlsx" and wanted.by == "release" and export.steps > XLSX_ROWS_MAX:
        problem = f"xlsx has {XLSX_ROWS_MAX} rows at most here, and there are {export.steps}; ask for csv, or for less"
        raise ApiProblem("bad-parameter", "format", problem)


async def _rows(writer: RowFile, export: Export, spool: Spool) -> Account:
    try:
        _, account = await write_rows(writer, yielding(export, spool.advance))
    except BaseException:
        with suppress(OSError, ValueError):
            writer.abandon()
        raise
    return account


async def _end(writer: RowFile, account: Account) -> None:
    """A workbook is packed at its end, which takes a while: in a thread, which is waited for whatever happens."""
    ending = asyncio.ensure_future(asyncio.to_thread(writer.end, account))
    try:
        await asyncio.shield(ending)
    except asyncio.CancelledError:
        await asyncio.wait({ending})
        raise


@router.get(
    "/exports/{by}",
    response_class=Response,
    responses={200: {"description": "The file.", "content": _SCHEMAS}, **responses()},
)
async def export(
    context: Context,
    asker: Asking,
    by: Annotated[ExportBy, Path(description="A row for each of these; person and release need the act names.")],
    asked: Annotated[ExportQuestion, Query()],
) -> SpooledAnswer:
    """The file that totals --output writes; it is sent while it is made. One that breaks off is not whole."""
    if by in OF_PERSONS:
        asker.require_names("by")
    wanted = Wanted(asked.period_at(context.site), by, asked.format_, asked.form())
    spool = context.spools.take(at_its_end=asked.format_ == "xlsx")
    try:
        await spool.begin(_Making(context, asker, wanted, spool).make())
    except BaseException:
        await spool.close()
        raise
    headers = {
        "Content-Disposition": attachment((by, wanted.period.name), wanted.format),
        "Cache-Control": CACHED,
        "Vary": "Authorization",
        "X-Content-Type-Options": "nosniff",
    }
    return SpooledAnswer(spool, MEDIA_TYPES[asked.format_], headers)
