"""What the schema of the settings accepts, each table's model accepts, but for what the schema says it can't say."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from pydantic import BaseModel, ValidationError

from pagereeve.settings import Settings
from pagereeve.settings.schema.of_settings import settings_schema
from tests.schema_values import Near

EXAMPLE = (Path(__file__).parents[2] / "contrib" / "example.toml").read_text(encoding="utf-8")
SCHEMA = settings_schema(EXAMPLE)
# By the words of the refusal; each is in the schema's description, or in that of the table.
UNSAID_WORDS = (
    *("out of bounds", "longer than ten years", "out of range", "no instant", "Input should be a valid date"),
    *("is no host", "beyond 65535", "port 0", "no URL", "no e-mail address", "written in figures", "is no address"),
    *("is not a valid IPv4 or IPv6 address", "holds a user, a password"),
    *(
        "after validation",
        "Input should be ''",
        "too many digits",
        "is longer than",
        "bits; set width_bits",
        "named twice",
        "has the name",
    ),
    *("is not after", "does not come after", "two prices", "known time zone", "is no time zone", "no zone"),
    *("from is", "is not before", "names a period", "holds the control character", "is no period"),
)


def models_of(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    yield model
    for field in model.model_fields.values():
        for kind in (field.annotation, *_parts(field.annotation)):
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                yield from models_of(kind)


def _parts(annotation: Any) -> Iterator[Any]:
    for part in get_args(annotation):
        yield part
        yield from _parts(part)


MODELS = {one.__name__: one for one in models_of(Settings) if one is not Settings}


def validator_of(model: str) -> Draft202012Validator:
    return Draft202012Validator({"$ref": f"#/$defs/{model}", "$defs": SCHEMA["$defs"]})


@st.composite
def near_tables(draw: st.DrawFn) -> tuple[str, Any]:
    model = draw(st.sampled_from(sorted(MODELS)))
    return model, Near(SCHEMA).value(draw, SCHEMA["$defs"][model])


def _holds_null(value: Any) -> bool:
    """TOML has none, and nothing in a file becomes one."""
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return value is None or any(_holds_null(one) for one in inner)


@given(near_tables())
def test_the_schema_of_a_table_accepts_what_its_model_does(drawn: tuple[str, Any]) -> None:
    name, value = drawn
    accepted = validator_of(name).is_valid(value)
    try:
        MODELS[name].model_validate(value)
    except ValidationError as error:
        for one in error.errors() if accepted else ():
            assert any(words in one["msg"] for words in UNSAID_WORDS), f"[{name}] {one['msg']}\n{value}"
    else:
        assert accepted or _holds_null(value), (
            f"[{name}] {next(validator_of(name).iter_errors(value)).message}\n{value}"
        )
