"""``pagereeve schema``."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from pagereeve.app.shipped_files import content_of
from pagereeve.cli.output import say, say_bytes
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.settings.schema.listing import SCHEMAS, schema_bytes, schema_named
from pagereeve.settings.suggestions import nearest

EXAMPLE = "contrib/example.toml"


def schema(
    name: Annotated[str | None, Parameter(help="One of the list; without it the list is shown.")] = None,
    /,
) -> None:
    """Print a JSON Schema (draft 2020-12): of an event, of a batch of events, of the settings, of a line of facts.

    Editors complete and check a settings file by it, and senders check their events before they send them.
    """
    if name is None:
        width = max(len(one.name) for one in SCHEMAS)
        for one in SCHEMAS:
            say(f"{one.name:<{width}}  {one.title.removeprefix('Pagereeve: ')}")
        return
    known = schema_named(name)
    if known is None:
        raise BadQuestion("schema", f"none is called {name!r}{nearest(name, [one.name for one in SCHEMAS])}")
    say_bytes(schema_bytes(known, content_of(EXAMPLE).decode()))
