"""Which characters no text from outside may hold: those that a terminal, a page or a reader's eye would obey.

Controls C0, DEL and C1 (ISO/IEC 6429), the line and paragraph separators U+2028 and U+2029, the marks, embeddings,
overrides and isolates of the bidirectional algorithm (UAX #9 section 2; CVE-2021-42574 shows what they hide), and lone
surrogates.
Every endpoint asks here. What is stored already is read back as it is: nothing of an old journal becomes unreadable.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Final

from pagereeve.domain.values.errors import BadFact

REFUSED: Final = re.compile(r"[\u0000-\u001f\u007f-\u009f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def refused_character(text: str) -> str:
    """The first of them, as ``U+202E as character 5``, counted from 1; "" where there is none."""
    found = REFUSED.search(text)
    return f"U+{ord(found[0]):04X} as character {found.start() + 1}" if found else ""


def plain_schema(refused: re.Pattern[str]) -> dict[str, Any]:
    """As JSON Schema says that a text holds none of what ``refused``, a class of characters named by numbers, finds.

    Lone surrogates are left out: some engines of regular expressions can't name them, and UTF-8 has none.
    """
    named = refused.pattern.replace(r"\ud800-\udfff", "")
    return {"not": {"type": "string", "pattern": named}, "description": "Holds no control character."}


def require_plain(text: str, where: str) -> None:
    """Raises BadFact, which says where and which, and repeats nothing else of the text."""
    found = refused_character(text)
    if found:
        raise BadFact(where, f"holds the control character {found}; send plain text")


def require_plain_members(value: Any, where: str) -> None:
    """The same for each text of a JSON value, by its path; names of members are texts, too. Depth is the reader's."""
    for path, text in _texts(value, where):
        require_plain(text, path)


def _texts(value: Any, where: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, str):
        yield where, value
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield f"{where}, a member's name", name
            yield from _texts(inner, f"{where}.{name}")
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _texts(inner, f"{where}.{place}")
