"""The JSON Schema of the settings file: the model, what must fit together, and the example's words."""

from __future__ import annotations

from typing import Any, Final

from pagereeve.domain.facts.schema.objects import DIALECT
from pagereeve.settings.schema.example_words import ExampleWords, example_words
from pagereeve.settings.schema.generator import model_schema
from pagereeve.settings.schema.rules import CONDITIONS, UNSAID, WHOLE
from pagereeve.settings.schema.words import setting_text

ID: Final = "urn:pagereeve:schema:settings"
TITLE: Final = "Pagereeve: the settings file (TOML)"
# The model of the whole file.
_ROOT: Final = "Settings"

Schema = dict[str, Any]


def settings_schema(example: str) -> Schema:
    """Draft 2020-12. ``example`` is the text of contrib/example.toml: its comments become descriptions."""
    schema = model_schema()
    _Describing(schema, example_words(example)).table(schema, _ROOT, "")
    for name, made in schema["$defs"].items():
        if name in CONDITIONS:
            made["allOf"] = list(CONDITIONS[name])
        if name in UNSAID:
            made["description"] = " ".join([made.get("description", ""), f"Beyond this schema: {UNSAID[name]}"]).strip()
    models = schema.pop("$defs")
    return {"$schema": DIALECT, "$id": ID, "title": TITLE, "description": WHOLE, **schema, "$defs": models}


class _Describing:
    """Walks from table to table. A model that stands at several places is described at the first."""

    def __init__(self, root: Schema, words: ExampleWords) -> None:
        self._models: dict[str, Schema] = root["$defs"]
        self._words = words
        self._done: set[str] = set()

    def table(self, schema: Schema, model: str, place: str) -> None:
        self._done.add(model)
        for name, setting in schema["properties"].items():
            bounds = setting.get("description", "")
            text = setting_text(self._words, model, place, name)
            setting["description"] = " ".join(one for one in (text, bounds) if one)
            inner = setting.get("items", setting).get("$ref", "").rpartition("/")[2]
            if inner not in self._done and "properties" in self._models.get(inner, {}):
                # What stands beside a reference is ignored by validators of draft 7 and before (its core, 8.3).
                self._models[inner]["description"] = text
                self.table(self._models[inner], inner, f"{place}.{name}" if place else name)
