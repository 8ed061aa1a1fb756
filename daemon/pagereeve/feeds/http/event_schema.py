"""JSON Schemas of the events that ``POST /v1/events`` accepts: one in structured mode, and a batch of them."""

from __future__ import annotations

from typing import Any, Final

from pagereeve.domain.facts.events import EVENT_TYPES, EventType
from pagereeve.domain.facts.schema.kinds import data_of_type
from pagereeve.domain.facts.schema.objects import DIALECT, INSTANT, Definitions, name_of
from pagereeve.domain.facts.schema.words import KINDS
from pagereeve.domain.values.plain_text import REFUSED
from pagereeve.feeds.http.cloudevents import ATTRIBUTE_MAX, BATCH_MAX, INTEGER_MAX
from pagereeve.feeds.http.strict_json import SIZE_MAX_BYTES

Schema = dict[str, Any]

EVENTS_ID: Final = "urn:pagereeve:schema:events"
BATCH_ID: Final = "urn:pagereeve:schema:events-batch"
EVENTS_TITLE: Final = "Pagereeve: an event, as POST /v1/events accepts it (CloudEvents 1.0, structured mode)"
BATCH_TITLE: Final = "Pagereeve: a batch of events, as POST /v1/events accepts it (CloudEvents 1.0, batch mode)"

_BEYOND: Final = (
    "What this schema accepts is accepted as it is. It refuses more than the endpoint does: a member of data that may "
    "be absent and is bad, or that nobody knows, costs itself alone, and the answer's remarks name it. null is as if "
    "the member were absent; in a ticket it says that it is not known. Numbers are whole and written without a "
    "fraction: this schema can't tell 5.0 from 5, but 5.0 is refused. The endpoint also looks at what no schema knows: "
    "whether a finding or a release is known, and what the credential may send. In binary mode data is the body, and "
    "the other members are ce-* headers."
)
# Case counts here, and there is no other parameter; the endpoint is not so strict (RFC 9110 section 8.3.1).
_JSON: Final = r"^(application/json|text/json|[a-z0-9.+-]+/[a-z0-9.+-]+\+json)( *; *charset=(utf-8|us-ascii))?$"


def events_schema() -> Schema:
    """Draft 2020-12, of one event in structured mode."""
    definitions = Definitions(REFUSED)
    events = _events(definitions)
    head = {"$schema": DIALECT, "$id": EVENTS_ID, "title": EVENTS_TITLE}
    return {**head, "description": f"At most {SIZE_MAX_BYTES:,} bytes. {_BEYOND}", **events, "$defs": definitions.made}


def batch_schema() -> Schema:
    """Draft 2020-12, of a batch: the settings may allow fewer events, or more, than the default."""
    definitions = Definitions(REFUSED)
    item = definitions.add("event", _events(definitions))
    text = (
        f"At most as many events as [http] batch_max allows ({BATCH_MAX:,} unless set otherwise), and body_max_bytes "
        f"({SIZE_MAX_BYTES:,} unless set otherwise). Each is answered by itself. {_BEYOND}"
    )
    return {
        "$schema": DIALECT,
        "$id": BATCH_ID,
        "title": BATCH_TITLE,
        "description": text,
        "type": "array",
        "items": item,
        "maxItems": BATCH_MAX,
        "$defs": definitions.made,
    }


def _events(definitions: Definitions) -> Schema:
    return {"oneOf": [definitions.add(name_of(one.data.made), _event(one, definitions)) for one in EVENT_TYPES]}


def _event(known: EventType, definitions: Definitions) -> Schema:
    data = data_of_type(known, definitions, authored=False)
    return {
        "type": "object",
        "description": KINDS[known.kind],
        "properties": {
            "specversion": {"const": "1.0", "description": "The version of CloudEvents."},
            "id": _attribute(
                "With source, the identity of the event: send it again under the same, as often as you like."
            ),
            "source": _attribute("Who sends it, as a URI-reference: /release-server."),
            "type": {"const": known.kind},
            "time": {
                **INSTANT,
                "type": ["string", "null"],
                "description": f"When it happened. {INSTANT['description']}",
            },
            "subject": _attribute("Not used.", optional=True),
            "datacontenttype": _attribute("JSON in UTF-8; left out, application/json.", optional=True)
            | {"pattern": _JSON},
            "data": data,
        },
        "required": ["specversion", "id", "source", "type", "data"],
        "propertyNames": {"pattern": "^[a-z0-9]{1,64}$", "$ref": "#/$defs/plain"},
        "additionalProperties": {
            "type": ["string", "boolean", "integer", "null"],
            "minimum": -INTEGER_MAX,
            "exclusiveMaximum": INTEGER_MAX,
            "$ref": "#/$defs/plain",
            "description": "An extension attribute (CloudEvents 1.0.2 section 3): accepted, and not used.",
        },
    }


def _attribute(text: str, *, optional: bool = False) -> Schema:
    types = ["string", "null"] if optional else "string"
    bounds = {"minLength": 1, "maxLength": ATTRIBUTE_MAX, "$ref": "#/$defs/plain"}
    return {"type": types, **bounds, "description": text}
