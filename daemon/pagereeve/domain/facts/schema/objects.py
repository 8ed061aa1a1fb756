"""From the shape of an object to its JSON Schema (draft 2020-12; JSON Schema Validation sections 6 and 9)."""

from __future__ import annotations

import re
from typing import Any, Final

from pagereeve.domain.facts.schema.rules import RULES
from pagereeve.domain.facts.schema.words import member_text
from pagereeve.domain.values.instants import DATE_PATTERN, TIME_PATTERN
from pagereeve.domain.values.plain_text import plain_schema
from pagereeve.domain.values.shapes import (
    InstantShape,
    ListShape,
    MapShape,
    ObjectShape,
    Shape,
    TextShape,
    TruthShape,
    WholeShape,
    WordShape,
)

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
Schema = dict[str, Any]

INSTANT: Final[Schema] = {
    "type": "string",
    "format": "date-time",
    "pattern": f"^{DATE_PATTERN}[Tt]{TIME_PATTERN}$",
    "maxLength": 64,
    "$ref": "#/$defs/plain",
    "description": "An instant in RFC 3339, with its offset from UTC; the year is one of 1 to 9999, in UTC too.",
}


def name_of(made: type) -> str:
    """As a definition is named: ``release-started``."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "-", made.__name__).lower()


class Definitions:
    """Schemas of objects, each once, under ``$defs``. ``refused`` are the characters that no text of them may hold."""

    def __init__(self, refused: re.Pattern[str]) -> None:
        self.made: dict[str, Schema] = {"plain": plain_schema(refused), "instant": INSTANT}

    def add(self, name: str, schema: Schema) -> Schema:
        """A reference to it."""
        self.made[name] = schema
        return {"$ref": f"#/$defs/{name}"}

    def object_of(self, shape: ObjectShape, without: tuple[str, ...] = ()) -> Schema:
        """The object, but for the members ``without``. What no schema can say of it stands in its description."""
        members = [one for one in shape.members if one.name not in without]
        rules = [RULES[made] for made in shape.checked]
        said = " ".join(text for text in (one.unsaid for one in rules) if text)
        schema: Schema = {
            "type": "object",
            "properties": {
                one.name: self.value_of(one.shape, needed=one.needed, null=one.null) | member_text(shape.made, one.name)
                for one in members
            },
            "required": [one.name for one in members if one.needed],
            "additionalProperties": False,
        }
        conditions = [condition for one in rules for condition in one.conditions]
        return schema | ({"allOf": conditions} if conditions else {}) | ({"description": said} if said else {})

    def value_of(self, shape: Shape, *, needed: bool, null: bool = False) -> Schema:
        """A needed text is not empty; ``null``: it may be null as well."""
        if isinstance(shape, ObjectShape | InstantShape):
            reference = self._reference_to(shape)
            return {"anyOf": [reference, {"type": "null"}]} if null else reference
        schema = self._plain_value(shape, needed=needed)
        if null:
            schema["type"] = [schema["type"], "null"]
            if "enum" in schema:
                schema["enum"] = [*schema["enum"], None]
        return schema

    def _reference_to(self, shape: ObjectShape | InstantShape) -> Schema:
        if isinstance(shape, InstantShape):
            return {"$ref": "#/$defs/instant"}
        name = name_of(shape.made)
        return {"$ref": f"#/$defs/{name}"} if name in self.made else self.add(name, self.object_of(shape))

    def _plain_value(self, shape: Shape, *, needed: bool) -> Schema:
        match shape:
            case TextShape(longest, words):
                known: Schema = {"anyOf": [{"enum": list(words)}, True]} if words else {}
                least: Schema = {"minLength": 1} if needed else {}
                return {"type": "string", **least, "maxLength": longest, "$ref": "#/$defs/plain", **known}
            case WholeShape(least_figure, most):
                return {"type": "integer", "minimum": least_figure, "maximum": most}
            case WordShape(words):
                return {"type": "string", "enum": list(words)}
            case TruthShape():
                return {"type": "boolean"}
            case ListShape(of, most):
                return {"type": "array", "maxItems": most, "items": self.value_of(of, needed=True)}
            case MapShape(of, most_names, null):
                bound = {} if most_names is None else {"maxProperties": most_names}
                values = self.value_of(of, needed=not null, null=null)
                return {"type": "object", **bound, "additionalProperties": values}
            case _:
                raise TypeError(f"{shape} is written as a reference")
