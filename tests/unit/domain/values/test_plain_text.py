"""What no text from outside may hold, at each door: the code point and its place are named, nothing else of it."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from pydantic import TypeAdapter, ValidationError

from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.plain_text import refused_character, require_plain_members
from pagereeve.feeds.http.cloudevents import read_structured
from pagereeve.feeds.lines.badge_text import BadgeFrame
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.setting_types import Text
from pagereeve.settings import BadSettings, read_people

BIDI = (0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A))
LINES = (0x2028, 0x2029)
REFUSED = {*range(0x20), *range(0x7F, 0xA0), *BIDI, *LINES, *range(0xD800, 0xE000)}
SAMPLES = [0x07, 0x7F, 0x85, 0x9F, *LINES, *BIDI]


def test_exactly_these_are_refused() -> None:
    assert {code for code in range(0x110000) if refused_character(chr(code))} == REFUSED


def test_every_mark_of_the_bidirectional_algorithm_and_every_control_is_one() -> None:
    """UAX #9 section 2 by the classes of Python's own Unicode data."""
    kinds = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    assert {code for code in range(0xD800) if unicodedata.bidirectional(chr(code)) in kinds} <= REFUSED
    assert {code for code in range(0x110000) if unicodedata.category(chr(code)) in {"Cc", "Zl", "Zp", "Cs"}} <= REFUSED


@pytest.mark.parametrize("text", ["", "Büro 3, Ω", "日本", "a\u00a0b", "👩\u200d🎓", "שלום", "عربي"])
def test_what_people_write_passes(text: str) -> None:
    assert refused_character(text) == ""


@pytest.mark.parametrize("code", SAMPLES)
def test_the_code_point_and_its_place_are_named(code: int) -> None:
    named = f"U+{code:04X} as character 7"
    assert refused_character(f"secret{chr(code)}x") == named
    data = {"a": [1, {"b": f"secret{chr(code)}x"}]}
    with pytest.raises(BadFact) as refused:
        require_plain_members(data, "data")
    assert refused.value.where == "data.a.1.b"
    assert refused.value.problem == f"holds the control character {named}; send plain text"


def test_a_members_name_is_a_text_too() -> None:
    with pytest.raises(BadFact, match=r"data\.a, a member's name: .*U\+202E as character 2"):
        require_plain_members({"a": {"b\u202e": 1}}, "data")


@pytest.mark.parametrize("code", SAMPLES)
@pytest.mark.parametrize("name", ["id", "source", "type", "subject", "someextension"])
def test_the_door_for_events_refuses_it_in_attributes(code: int, name: str) -> None:
    attributes = {"specversion": "1.0", "id": "e", "source": "/s", "type": "t", name: f"x\\u{code:04x}"}
    members = ",".join(f'"{key}":"{value}"' for key, value in attributes.items())
    with pytest.raises(Refusal) as refused:
        read_structured(f"{{{members}}}".encode())
    assert refused.value.reason == "bad-cloudevent"
    assert refused.value.where == name
    assert f"U+{code:04X} as character 2" in refused.value.problem


@pytest.mark.parametrize("code", SAMPLES)
def test_the_door_for_lines_refuses_it(code: int) -> None:
    with pytest.raises(Refusal, match=rf"U\+{code:04X} as character 4") as refused:
        BadgeFrame(encoding="utf-8").badge_of(f"047{chr(code)}99".encode())
    assert refused.value.reason == "line-not-text"
    assert "047" not in str(refused.value)


@pytest.mark.parametrize("code", SAMPLES)
def test_lists_and_settings_refuse_it(tmp_path: Path, code: int) -> None:
    with pytest.raises(ValidationError, match=rf"U\+{code:04X} as character 2"):
        TypeAdapter(Text).validate_python(f"x{chr(code)}")
    people = tmp_path / "people.csv"
    people.write_text(f'owner,cost_centre,from\n"user{chr(code)}a",physics,\n', newline="")
    with pytest.raises(BadSettings, match=rf"line 2: owner: .*U\+{code:04X} as character 5"):
        read_people(people)
