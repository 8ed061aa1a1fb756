"""``/v1/statement-files/{of}/{name}``: a statement as a file, to the byte the one that the command writes."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import version
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import Response

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.file_names import attachment
from pagereeve.console.api.nameless import statement_shown
from pagereeve.console.api.problems import responses
from pagereeve.console.api.resources.statements import StatementQuestion, SubjectName, asked_statement
from pagereeve.console.api.steps import STEP
from pagereeve.queries.statement_lines import SubjectKind
from pagereeve.reports.statements.files import StatementFormat, statement_file

router = APIRouter(route_class=TaggedRoute, tags=["accounts"])

MEDIA_TYPES: Final[Mapping[StatementFormat, str]] = {"html": "text/html; charset=utf-8", "json": "application/json"}
_SCHEMAS: Final[dict[str, Any]] = {
    "text/html": {"schema": {"type": "string"}},
    "application/json": {"schema": {"type": "object"}},
}
# A browser that opens it all the same runs nothing of it, and loads nothing.
POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; sandbox"


class FileQuestion(StatementQuestion):
    format_: StatementFormat = Field(default="html", alias="format")


@router.get(
    f"/statement-files/{{of}}/{{name:{STEP}}}",
    response_class=Response,
    responses={200: {"description": "The file.", "content": _SCHEMAS}, **responses("not-found")},
)
async def statement_as_file(
    context: Context, asker: Asking, of: SubjectKind, name: SubjectName, asked: Annotated[FileQuestion, Query()]
) -> Response:
    """The file that statement --output writes: HTML to print, or JSON. A person's needs the act names."""
    known = statement_shown(await asked_statement(context, asker, of, name, asked), asker)
    database = context.zone_database(known.period.zone.key)
    headers = {
        "Content-Disposition": attachment((of, name, known.period.name), asked.format_),
        "Content-Security-Policy": POLICY,
        "X-Content-Type-Options": "nosniff",
    }
    body = statement_file(known, database, version("pagereeve"), asked.format_)
    return Response(body, headers=headers, media_type=MEDIA_TYPES[asked.format_])
