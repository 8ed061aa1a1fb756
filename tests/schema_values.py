"""JSON values near what a schema accepts, as hypothesis draws them: mostly right, with a mistake here and there.

Knows the keywords that Pagereeve's own schemas use, and refuses others. ``not``, ``allOf`` and ``if`` are passed over:
whoever draws asks a validator.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hypothesis import strategies as st

Schema = Any
ANNOTATIONS = {"description", "title", "default", "examples", "format", "deprecated", "$schema", "$id", "$defs"}
PASSED_OVER = {"not", "allOf", "if", "then", "else", "propertyNames", "minProperties"}
KNOWN = {
    *("type", "enum", "const", "$ref", "anyOf", "oneOf", "minLength", "maxLength", "pattern", "minimum", "maximum"),
    *("exclusiveMinimum", "exclusiveMaximum", "items", "maxItems", "minItems", "properties", "required"),
    *("additionalProperties", "maxProperties"),
}
# Controls of both sets, marks that turn the direction, what is long in UTF-8, and what only looks odd.
_PLAIN = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cf", "Zl", "Zp")), max_size=12)
_ODD = st.sampled_from(
    ["a\nb", "a\n", "\x00", "\x85", "x\u2028", "\u202eabc", "\x7f", "é", "\U0001f5a8", " ", "\u200b"]
)
NASTY = st.one_of(
    st.none(),
    st.booleans(),
    st.sampled_from(["", "x", 0, -1, 1, 2**31, 2**53 - 1, 1.5, [], {}, [1], {"x": 1}, ["x"], "2026-01-31T09:00:00"]),
    _ODD,
)


class Near:
    """Draws values near ``root``; one in so many places is something else."""

    def __init__(self, root: Schema, *, wrong_in: int = 60) -> None:
        self._defs = root.get("$defs", {})
        self._wrong_in = wrong_in

    def value(self, draw: st.DrawFn, schema: Schema) -> Any:
        if schema is True or draw(st.integers(1, self._wrong_in)) == 1:
            return draw(NASTY)
        strange = set(schema) - ANNOTATIONS - PASSED_OVER - KNOWN
        assert not strange, f"keywords that no value is drawn for: {strange}"
        for several in ("anyOf", "oneOf"):
            # Beside a type it narrows nothing that is drawn here.
            if several in schema and "type" not in schema:
                return self.value(draw, draw(st.sampled_from(schema[several])))
        if "const" in schema:
            return schema["const"]
        if "enum" in schema:
            return draw(st.sampled_from(schema["enum"]))
        if "type" not in schema and "$ref" in schema:
            return self.value(draw, self.followed(schema))
        kinds = schema.get("type", "object")
        return self._of_type(draw, schema, draw(st.sampled_from(kinds)) if isinstance(kinds, list) else kinds)

    def followed(self, schema: Schema) -> Schema:
        while "$ref" in schema and "type" not in schema:
            schema = self._defs[schema["$ref"].removeprefix("#/$defs/")]
        return schema

    def _of_type(self, draw: st.DrawFn, schema: Schema, kind: str) -> Any:
        draws: dict[str, Callable[[], Any]] = {
            "null": lambda: None,
            "boolean": lambda: draw(st.booleans()),
            "integer": lambda: self._whole(draw, schema),
            "number": lambda: draw(st.floats(schema.get("minimum", 0), schema.get("maximum", 1_000))),
            "string": lambda: self._text(draw, schema),
            "array": lambda: self._list(draw, schema),
            "object": lambda: self._object(draw, schema),
        }
        return draws[kind]()

    def _list(self, draw: st.DrawFn, schema: Schema) -> list[Any]:
        few = draw(st.integers(schema.get("minItems", 0), min(schema.get("maxItems", 3), 3)))
        items = [self.value(draw, schema["items"]) for _ in range(few)]
        too_many = items[:1] * (schema["maxItems"] + 1) if schema.get("maxItems", 1_000) < 100 else items
        return too_many if draw(st.integers(1, self._wrong_in)) == 1 else items

    def _whole(self, draw: st.DrawFn, schema: Schema) -> int:
        least, most = schema.get("minimum", -(2**31)), schema.get("maximum", 2**31)
        return draw(st.integers(least, most) | st.sampled_from([least, most, least - 1, most + 1]))

    def _text(self, draw: st.DrawFn, schema: Schema) -> Any:
        if "pattern" in schema:
            return draw(st.from_regex(schema["pattern"], fullmatch=True))
        words = [one["enum"] for one in schema.get("anyOf", ()) if one is not True and "enum" in one]
        if bool(words) and draw(st.booleans()):
            return draw(st.sampled_from(words[0]))
        longest = schema.get("maxLength", 64)
        edges = st.sampled_from(["x" * longest, "x" * (longest + 1), "é" * longest])
        odd = draw(st.integers(0, 9)) == 0
        drawn: st.SearchStrategy[str] = st.one_of(_PLAIN, _ODD, edges) if odd else _PLAIN.filter(bool)
        return draw(drawn)

    def _object(self, draw: st.DrawFn, schema: Schema) -> dict[str, Any]:
        members = {}
        needed = set(schema.get("required", ()))
        for name, inner in schema.get("properties", {}).items():
            there = draw(st.integers(1, self._wrong_in)) > 1 if name in needed else draw(st.booleans())
            if there:
                members[name] = self.value(draw, inner)
        if draw(st.integers(1, self._wrong_in)) == 1:
            members[draw(_PLAIN | st.sampled_from(["x", "by", "X-y"]))] = draw(NASTY)
        free = schema.get("additionalProperties", False)
        if free is not False and not members:
            names = draw(st.lists(st.sampled_from(["total", "mono", "colour", "é"]), unique=True, max_size=3))
            if schema.get("maxProperties", 1_000) < 100 and draw(st.integers(1, self._wrong_in)) == 1:
                names = [f"channel-{place}" for place in range(schema["maxProperties"] + 1)]
            members = {name: self.value(draw, free) for name in names}
        return members
