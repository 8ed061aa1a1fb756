"""All schemas that there are, by name: for the command line, and for whoever serves them."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from pagereeve.feeds.http.event_schema import BATCH_TITLE, EVENTS_TITLE, batch_schema, events_schema
from pagereeve.reports.facts_schema import TITLE as FACTS_TITLE
from pagereeve.reports.facts_schema import facts_schema
from pagereeve.settings.schema.of_settings import TITLE as SETTINGS_TITLE
from pagereeve.settings.schema.of_settings import settings_schema

MEDIA_TYPE: Final = "application/schema+json"
"""JSON Schema core, draft 2020-12, section 14.1."""


@dataclass(frozen=True, slots=True)
class NamedSchema:
    """``make`` gets the text of contrib/example.toml, whose comments describe the settings."""

    name: str
    title: str
    make: Callable[[str], dict[str, Any]]


SCHEMAS: Final = (
    NamedSchema("events", EVENTS_TITLE, lambda _: events_schema()),
    NamedSchema("events-batch", BATCH_TITLE, lambda _: batch_schema()),
    NamedSchema("settings", SETTINGS_TITLE, settings_schema),
    NamedSchema("facts", FACTS_TITLE, lambda _: facts_schema()),
)


def schema_named(name: str) -> NamedSchema | None:
    return next((one for one in SCHEMAS if one.name == name), None)


def schema_bytes(schema: NamedSchema, example: str) -> bytes:
    """In UTF-8, to be read by people too. The same for the same program and ``example``."""
    return (json.dumps(schema.make(example), indent=2, ensure_ascii=False) + "\n").encode()
