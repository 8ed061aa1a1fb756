"""What is said of persons: what belongs to whom from when until when, and which two of them are one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PersonWord = Literal["key", "login", "name", "mail", "cost_centre"]
"""What of a person a text is. ``key`` is what a site's own list calls the person by."""


@dataclass(frozen=True, slots=True)
class PersonNamed:
    """From ``at_us`` on, and before ``until_us``, the text is the person's. Concerns no printer (``printer`` is "").

    ``person`` is an id of ours (``p-`` and 12 hexadecimal digits), stable for ever, ``by`` who said it. Logins and mail
    addresses a person has several at once. Of each of them, and of each other word, what became known last of one
    beginning counts; where it ends as it begins it never held.
    """

    at_us: int
    person: str
    word: PersonWord
    text: str
    known_us: int
    by: str
    until_us: int | None = None
    printer: str = ""


@dataclass(frozen=True, slots=True)
class PeopleMerged:
    """``person`` and ``into`` are one, said at ``at_us``: an alias that rewrites nothing. Concerns no printer."""

    at_us: int
    person: str
    into: str
    by: str
    reason: str
    printer: str = ""


@dataclass(frozen=True, slots=True)
class MergeUndone:
    """``person`` and ``into`` are two again, said at ``at_us``. Concerns no printer."""

    at_us: int
    person: str
    into: str
    by: str
    reason: str
    printer: str = ""


PeopleFact = PersonNamed | PeopleMerged | MergeUndone
