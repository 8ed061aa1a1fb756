"""Files to take along: links to what the API sends, to the byte what the commands write."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from typing import Annotated, Final, get_args
from urllib.parse import urlencode

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import RedirectResponse

from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.paging import Asked
from pagereeve.console.pages.accounts import HERE, PeriodName
from pagereeve.domain.accounts.export_rows import ExportBy
from pagereeve.domain.values.address_step import one_step
from pagereeve.queries.statement_lines import SubjectKind
from pagereeve.reports.exports.csv_file import Locale
from pagereeve.reports.exports.making import FileFormat
from pagereeve.reports.statements.files import StatementFormat

EXPORTS: Final[tuple[tuple[ExportBy, str, bool], ...]] = (
    ("cost-centre", "A row for each cost centre", False),
    ("printer", "A row for each printer", False),
    ("day", "A row for each day", False),
    ("person", "A row for each person", True),
    ("release", "A row for each release", True),
)
"""By what, in words, and whether it names people."""
LANGUAGES: Final[Mapping[Locale, str]] = {
    "cs": "Czech",
    "da": "Danish",
    "nl": "Dutch",
    "en": "English",
    "fi": "Finnish",
    "fr": "French",
    "de": "German",
    "de-CH": "German (Switzerland)",
    "it": "Italian",
    "nb": "Norwegian",
    "pl": "Polish",
    "pt": "Portuguese",
    "es": "Spanish",
    "sv": "Swedish",
}

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class ExportLinks:
    by: ExportBy
    text: str
    files: tuple[tuple[str, str], ...]


class CsvAsked(Asked):
    by: ExportBy
    locale: Locale = Field(default="en")


@cache
def _formats() -> tuple[FileFormat, ...]:
    """Those that can be made here: Parquet is an extra of the package."""
    known: tuple[FileFormat, ...] = get_args(FileFormat)
    return tuple(one for one in known if one != "parquet" or find_spec("pyarrow") is not None)


def export_links(period: str, asker: Asker) -> list[ExportLinks]:
    """None that would be refused."""
    return [
        ExportLinks(by, words, tuple((one, _export(by, period=period, format=one)) for one in _formats()))
        for by, words, names in EXPORTS
        if asker.sees_names or not names
    ]


def _export(by: ExportBy, **asked: str) -> str:
    return f"/v1/exports/{by}?{urlencode(asked)}"


@router.get(f"{HERE}/{{name}}/csv")
async def csv(asker: Asking, name: PeriodName, asked: Annotated[CsvAsked, Query()]) -> RedirectResponse:
    """Where the form goes that asks for a language: a form can't choose a path."""
    if asked.by in {by for by, _, names in EXPORTS if names}:
        asker.require_names("by")
    where = _export(asked.by, period=name, format="csv", locale=asked.locale)
    return RedirectResponse(where, status_code=303, headers={"Cache-Control": "no-store"})


def statement_links(period: str, kind: SubjectKind, name: str, asker: Asker) -> list[tuple[str, str]]:
    """Each in words with its address; a statement that names other people is for who sees names."""
    at = f"/v1/statement-files/{kind}/{one_step(name)}"
    forms: tuple[tuple[StatementFormat, str], ...] = (("html", "HTML to print"), ("json", "JSON"))
    links = [(words, f"{at}?{urlencode({'period': period, 'format': form})}") for form, words in forms]
    if kind != "person" and asker.sees_names:
        links += [(f"{words}, with names", f"{link}&names=true") for words, link in links]
    return links
