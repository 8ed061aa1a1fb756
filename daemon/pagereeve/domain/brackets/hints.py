"""Hints: the known patterns that a bracket's difference equals. A hint is a suggestion, and changes no figure."""

from __future__ import annotations

from typing import Final

from pagereeve.domain.brackets.hypotheses import BY_NAME, Compared, explaining, happened

PREFIX: Final = "hint-"

HAPPENED: Final = {
    "repeated-job": "the job came out more than once",
    "jam-reprint": "sheets were printed again after a jam",
    "jam-loss": "sheets that were lost in a jam were not printed again",
}


def hints(one: Compared) -> tuple[str, ...]:
    """Reasons of the form ``hint-...``, for a bracket whose count is not what was expected."""
    return tuple(PREFIX + name for name in (*explaining(one), *happened(one)))


def hint_text(reason: str) -> str:
    """What a hint says, in words."""
    name = reason.removeprefix(PREFIX)
    return HAPPENED.get(name) or BY_NAME[name].text
