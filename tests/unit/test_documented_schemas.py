"""What documents show of events and facts is in their schemas, every member has words, and a command prints them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from pagereeve.cli import status_of
from pagereeve.domain.facts.codec import FACT_SHAPES
from pagereeve.domain.facts.events import EVENT_TYPES
from pagereeve.domain.facts.schema.rules import RULES
from pagereeve.domain.facts.schema.words import KINDS, MEMBERS
from pagereeve.settings.schema.listing import SCHEMAS
from tests.unit.test_documented_facts import DOCUMENT, examples

ROOT = Path(__file__).parents[2]
EXAMPLE = (ROOT / "contrib" / "example.toml").read_text(encoding="utf-8")
MADE = {one.name: one.make(EXAMPLE) for one in SCHEMAS}


def section() -> str:
    return DOCUMENT.read_text(encoding="utf-8")


@pytest.mark.parametrize("schema", MADE.values(), ids=MADE)
def test_each_is_a_schema_with_a_name_of_ours_and_words(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)
    assert re.fullmatch(r"urn:pagereeve:schema:[a-z-]+", schema["$id"])
    assert schema["title"].startswith("Pagereeve: ")
    assert len(schema["description"]) > 100


def test_every_example_of_a_fact_is_in_the_schema() -> None:
    validator = Draft202012Validator(MADE["facts"])
    lines = examples(section())
    assert len(lines) > len(FACT_SHAPES)
    assert [line for line in lines if not validator.is_valid(json.loads(line))] == []


@pytest.mark.parametrize("file", ["README.md", "contrib/docs/events.md"])
def test_every_example_of_an_event_is_in_the_schema(file: str) -> None:
    shown = re.findall(r"'(\{\s+\"specversion\".*?\})'", (ROOT / file).read_text(encoding="utf-8"), re.DOTALL)
    assert shown
    for text in shown:
        Draft202012Validator(MADE["events"]).validate(json.loads(text))
        Draft202012Validator(MADE["events-batch"]).validate([json.loads(text)])


def described(schema: dict[str, Any]) -> list[tuple[str, str]]:
    """(definition, member) of each member that has no description and whose name does not say all."""
    objects = {**schema["$defs"], **{f"line {place}": one for place, one in enumerate(schema["oneOf"])}}
    return [
        (name, member)
        for name, one in objects.items()
        for member, said in one.get("properties", {}).items()
        if not said.get("description") and "const" not in said and not said.get("$ref", "").endswith("-data")
    ]


@pytest.mark.parametrize("name", ["events", "facts"])
def test_every_member_is_described(name: str) -> None:
    assert described(MADE[name]) == []


def test_no_words_are_left_of_what_is_gone() -> None:
    text = json.dumps(MADE["facts"], ensure_ascii=False)
    assert [name for name, said in MEMBERS.items() if json.dumps(said, ensure_ascii=False) not in text] == []
    assert set(KINDS) == {*FACT_SHAPES, *(one.kind for one in EVENT_TYPES)}


def test_every_check_of_a_codec_has_its_rules() -> None:
    shapes = [*(shape() for shape in FACT_SHAPES.values()), *(one.data.shape() for one in EVENT_TYPES)]
    assert {made for shape in shapes for made in shape.checked} == set(RULES)


def test_the_command_prints_what_there_is(capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    assert status_of(["schema"]) == 0
    assert [line.split()[0].decode() for line in capsysbinary.readouterr().out.splitlines()] == [*MADE, "openapi"]
    for name, schema in MADE.items():
        assert status_of(["schema", name]) == 0
        assert json.loads(capsysbinary.readouterr().out) == schema


def test_a_name_that_is_none_is_told_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert status_of(["schema", "setings"]) == 2
    assert "did you mean 'settings'?" in capsys.readouterr().err
