"""Values as TOML 1.0 text: enough of it for settings that are written by the program itself."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any


def toml_text(document: Mapping[str, Any]) -> str:
    """A document: plain members first, then a ``[table]`` for each mapping, then ``[[tables]]`` for lists of mappings.

    Mappings deeper down are inline tables. Keys must be bare ones (letters, digits, "_", "-").
    """
    plain = {name: value for name, value in document.items() if not (_is_table(value) or _are_tables(value))}
    lines = _members(plain)
    for name, value in document.items():
        for one in value if _are_tables(value) else ():
            lines += ["", f"[[{name}]]", *_members(one)]
        if _is_table(value):
            lines += ["", f"[{name}]", *_members(value)]
    return "\n".join(lines) + "\n"


def toml_value(value: Any) -> str:
    """JSON's booleans, numbers, strings and lists are TOML 1.0's, as long as no character is split into surrogates."""
    if _is_table(value):
        return f"{{ {', '.join(_members(value))} }}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return f"[{', '.join(map(toml_value, value))}]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _members(table: Mapping[str, Any]) -> list[str]:
    return [f"{name} = {toml_value(value)}" for name, value in table.items()]


def _is_table(value: Any) -> bool:
    return isinstance(value, Mapping)


def _are_tables(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str) and bool(value) and all(map(_is_table, value))
