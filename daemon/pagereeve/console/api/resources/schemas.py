"""``GET /v1/schemas`` and ``/v1/schemas/{name}``: the JSON Schemas that ``pagereeve schema`` prints."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Final

from fastapi import APIRouter, Path, Query, Response
from pydantic import BaseModel

from pagereeve.console.api.context import Context
from pagereeve.console.api.etags import TaggedRoute
from pagereeve.console.api.paging import Asked
from pagereeve.console.api.problems import ApiProblem, responses
from pagereeve.settings.schema.listing import MEDIA_TYPE, SCHEMAS, schema_bytes, schema_named

router = APIRouter(route_class=TaggedRoute, tags=["schemas"])

TITLE_PREFIX: Final = "Pagereeve: "
SchemaName = Annotated[str, Path(max_length=100, description="As /v1/schemas lists it: events, settings, facts.")]
Nothing = Annotated[Asked, Query()]


class SchemaListed(BaseModel):
    name: str
    title: str
    link: str


class SchemasAnswer(BaseModel):
    items: list[SchemaListed]


@router.get("/schemas", responses=responses())
async def schemas(_: Nothing) -> SchemasAnswer:
    """Which JSON Schemas there are."""
    listed = [
        SchemaListed(name=one.name, title=one.title.removeprefix(TITLE_PREFIX), link=f"/v1/schemas/{one.name}")
        for one in SCHEMAS
    ]
    return SchemasAnswer(items=listed)


@router.get(
    "/schemas/{name}",
    response_class=Response,
    responses={200: {"content": {MEDIA_TYPE: {"schema": {"type": "object"}}}}, **responses("not-found")},
)
async def schema(context: Context, name: SchemaName, _: Nothing) -> Response:
    """A JSON Schema (draft 2020-12): of an event, of a batch of events, of the settings, of a line of facts."""
    if schema_named(name) is None:
        names = ", ".join(one.name for one in SCHEMAS)
        raise ApiProblem("not-found", "name", f"no schema is called {name[:40]!r}; there are: {names}")
    return Response(_made(name, context.example), media_type=MEDIA_TYPE)


@lru_cache(maxsize=len(SCHEMAS))
def _made(name: str, example: str) -> bytes:
    known = schema_named(name)
    assert known is not None  # noqa: S101 - who calls has looked
    return schema_bytes(known, example)
