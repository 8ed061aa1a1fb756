"""From the settings' model to JSON Schema, as a TOML file writes it: nothing is null, and dates are their texts."""

from __future__ import annotations

from typing import Any, Final

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from pagereeve.ports.setting_types import Duration, HostPort
from pagereeve.settings.model import Settings

# Bounds of a number that a check of ours reads before pydantic does keep pydantic's own names.
_BOUNDS: Final = {"ge": "minimum", "le": "maximum"}
# Formats that no validator knows.
_NO_FORMATS: Final = ("path", "password")


class OfToml(GenerateJsonSchema):
    """Leaves out what an editor has no use for: titles made of names, and null, which TOML has not."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        default = schema.get("default")
        if default is None or default in ((), {}, "") or isinstance(default, BaseModel):
            return self.generate_inner(schema["schema"])
        return super().default_schema(schema)

    def encode_default(self, dft: Any) -> Any:
        return str(dft) if isinstance(dft, Duration | HostPort) else super().encode_default(dft)

    def field_title_should_be_set(self, schema: Any) -> bool:
        del schema
        return False

    def frozenset_schema(self, schema: core_schema.FrozenSetSchema) -> JsonSchemaValue:
        """An item may be written twice."""
        return {name: value for name, value in super().frozenset_schema(schema).items() if name != "uniqueItems"}


def model_schema() -> dict[str, Any]:
    """Of the whole file, with a definition under ``$defs`` for each table's model, by the model's name."""
    schema: dict[str, Any] = _tidy(Settings.model_json_schema(schema_generator=OfToml))
    for made in (schema, *schema["$defs"].values()):
        for name in ("title", "description"):
            made.pop(name, None)
    return schema


def _tidy(value: Any) -> Any:
    if isinstance(value, list):
        return [_tidy(one) for one in value]
    if not isinstance(value, dict):
        return value
    kept = {name: one for name, one in value.items() if name != "writeOnly"}
    if kept.get("format") in _NO_FORMATS:
        del kept["format"]
    return {_BOUNDS.get(name, name): _tidy(one) for name, one in kept.items()}
