"""``pagereeve schema``."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.shipped_files import EXAMPLE_SETTINGS, content_of
from pagereeve.cli.output import say, say_bytes
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.settings.schema.listing import SCHEMAS, schema_bytes, schema_named
from pagereeve.settings.suggestions import nearest

OPENAPI = "openapi"
OPENAPI_TITLE = "the API under /v1, as OpenAPI 3.1 describes it"


def schema(
    name: Annotated[str | None, Parameter(help="One of the list; without it the list is shown.")] = None,
    /,
) -> None:
    """Print a JSON Schema (draft 2020-12): of an event, of a batch of events, of the settings, of a line of facts.
    Or the OpenAPI document of what can be asked and decided over HTTP.

    Editors complete and check a settings file by it, and senders check their events before they send them.
    """
    if name is None:
        listed = {one.name: one.title.removeprefix("Pagereeve: ") for one in SCHEMAS} | {OPENAPI: OPENAPI_TITLE}
        width = max(len(one) for one in listed)
        for one, title in listed.items():
            say(f"{one:<{width}}  {title}")
        return
    if name == OPENAPI:
        from pagereeve.console.api.application import api_document  # noqa: PLC0415 - half a second that others need not

        say_bytes(api_document())
        return
    known = schema_named(name)
    if known is None:
        names = [*(one.name for one in SCHEMAS), OPENAPI]
        raise BadQuestion("schema", f"none is called {name!r}{nearest(name, names)}")
    say_bytes(schema_bytes(known, content_of(EXAMPLE_SETTINGS).decode()))
