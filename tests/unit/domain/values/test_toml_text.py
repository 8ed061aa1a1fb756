"""What is written as TOML is read back the same by Python's own reader."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from pagereeve.domain.values.toml_text import toml_text


@pytest.mark.parametrize(
    "document",
    [
        {},
        {"a": "plain", "b": 1, "c": 1.5, "d": True, "e": [1, 2], "f": []},
        {"text": 'quote " backslash \\ tab \t line \n bell \x07 delete \x7f umlaut ü clef 𝄞'},
        {"one": {"x": "y", "deeper": {"z": [1], "deepest": {"w": False}}}, "plain": "before every table"},
        {"many": [{"name": "a", "policy": {"settle": "1s"}}, {"name": "b", "names": ["c", "d"]}]},
    ],
)
def test_it_is_read_back_the_same(document: dict[str, Any]) -> None:
    assert tomllib.loads(toml_text(document)) == document
