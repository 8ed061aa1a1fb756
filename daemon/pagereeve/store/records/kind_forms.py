"""A fact's kind as it is stored: of the three kinds of which there are most, a letter.

Conditions of indexes name the stored form (store/sql/tables.py). Others stay as they are.
"""

from __future__ import annotations

from typing import Any, Final

from pagereeve.domain.facts.events import BADGE_PRESENTED, RELEASE_ENDED, RELEASE_STARTED

LETTERS: Final = {BADGE_PRESENTED: "b", RELEASE_STARTED: "s", RELEASE_ENDED: "e"}
_KINDS: Final = {letter: kind for kind, letter in LETTERS.items()}
_MISSTORED: Final = "?"


def short_kind(kind: str) -> str:
    """What is stored of it."""
    return LETTERS.get(kind, kind)


def whole_kind(stored: Any) -> Any:
    """The inverse of ``short_kind``. Never raises: a kind that has a letter and is stored without it was edited, no
    index finds it, and it becomes one that fits no body.
    """
    if not isinstance(stored, str):
        return stored
    kind = _KINDS.get(stored)
    if kind is not None:
        return kind
    return f"{stored}{_MISSTORED}" if stored in LETTERS else stored
