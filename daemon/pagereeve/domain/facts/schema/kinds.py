"""The data of each type of event, as a sender writes it, and whole events as facts hold them."""

from __future__ import annotations

from pagereeve.domain.facts.codec import EVENT, ORIGIN_SHAPE
from pagereeve.domain.facts.events import AUTHOR, BADGE_PRESENTED, EVENT_TYPES, EventType
from pagereeve.domain.facts.schema.objects import Definitions, Schema, name_of
from pagereeve.domain.facts.schema.words import KINDS, member_text
from pagereeve.domain.values.fields import TEXT_MAX
from pagereeve.domain.values.shapes import ObjectShape, TextShape


def data_of_type(known: EventType, definitions: Definitions, *, authored: bool) -> Schema:
    """A reference to the schema of ``data``. ``authored``: with the author, whom no sender writes."""
    without = () if authored else (AUTHOR,)
    return definitions.add(f"{name_of(known.data.made)}-data", definitions.object_of(known.data.shape(), without))


def event_facts(definitions: Definitions) -> list[Schema]:
    """An object for each type: the fact of such an event."""
    return [_event_fact(known, definitions) for known in EVENT_TYPES]


def _event_fact(known: EventType, definitions: Definitions) -> Schema:
    schema = definitions.object_of(ORIGIN_SHAPE())
    texts = ("printer", "resembles") if known.kind == BADGE_PRESENTED else ("printer",)
    text = definitions.value_of(TextShape(TEXT_MAX), needed=False, null=True)
    schema["properties"] = {
        "fact": {"const": EVENT},
        "type": {"const": known.kind},
        "data": data_of_type(known, definitions, authored=True),
        **schema["properties"],
        **{name: text | member_text(known.data.made, name) for name in texts},
    }
    schema["required"] = ["fact", "type", "data", *schema["required"]]
    return schema | {"description": KINDS[known.kind]}


def fact_of(kind: str, shape: ObjectShape, definitions: Definitions) -> Schema:
    """The object of a fact that is no event."""
    schema = definitions.object_of(shape)
    schema["properties"] = {"fact": {"const": kind}, **schema["properties"]}
    schema["required"] = ["fact", *schema["required"]]
    return schema | {"description": " ".join([KINDS[kind], schema.get("description", "")]).strip()}
