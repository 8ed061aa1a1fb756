"""Strict reading of a JSON object: every member is read by name and type, and what is left over is refused."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, Final, TypeVar

from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.faults import Faults
from pagereeve.domain.values.instants import from_text

Choice = TypeVar("Choice", bound=str)

TEXT_MAX = 1024
# Controls and lone surrogates.
UNPRINTED: Final = re.compile(r"[\u0000-\u001f\ud800-\udfff]")


class Fields:
    """The members of one JSON object, named ``where`` in errors. Absent and null both mean *unknown*.

    With ``faults`` a codec goes on past what is wrong with a member, and notes it there; else the first is raised.
    """

    def __init__(self, members: Any, where: str, faults: Faults | None = None) -> None:
        if not isinstance(members, dict):
            raise BadFact(where, f"is {type_name(members)}; an object is needed")
        self._members = dict(members)
        self.where = where
        self.faults = faults

    def path(self, name: str) -> str:
        """As errors name the member."""
        return f"{self.where}.{name}" if self.where else name

    def _take(self, name: str) -> Any:
        return self._members.pop(name, None)

    def optional_text(self, name: str, longest: int = TEXT_MAX) -> str | None:
        value = self._take(name)
        if value is None:
            return None
        if not isinstance(value, str):
            raise BadFact(self.path(name), f"is {type_name(value)}; a text is needed")
        if len(value) > longest:
            raise BadFact(self.path(name), f"is {len(value)} characters long; {longest} at most")
        if UNPRINTED.search(value):
            raise BadFact(self.path(name), "holds a control character or a lone surrogate; send plain text")
        return value

    def text(self, name: str, longest: int = TEXT_MAX) -> str:
        value = self.optional_text(name, longest)
        if not value:
            raise BadFact(self.path(name), "is missing or empty; a text is needed")
        return value

    def optional_integer(self, name: str, least: int, most: int) -> int | None:
        value = self._take(name)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int):
            raise BadFact(self.path(name), f"is {type_name(value)}; a whole number without a fraction is needed")
        if not least <= value <= most:
            raise BadFact(self.path(name), f"is {value}; {least} to {most} is allowed")
        return value

    def integer(self, name: str, least: int, most: int) -> int:
        value = self.optional_integer(name, least, most)
        if value is None:
            raise BadFact(self.path(name), "is missing; a whole number is needed")
        return value

    def optional_choice(self, name: str, choices: Iterable[Choice]) -> Choice | None:
        value = self.optional_text(name)
        if value is None:
            return None
        for choice in choices:
            if choice == value:
                return choice
        raise self.no_choice(name, value, choices)

    def choice(self, name: str, choices: Iterable[Choice]) -> Choice:
        value = self.optional_choice(name, tuple(choices))
        if value is None:
            raise BadFact(self.path(name), f"is missing; one of {', '.join(choices)} is needed")
        return value

    def no_choice(self, name: str, value: str, choices: Iterable[str]) -> BadFact:
        return BadFact(self.path(name), f"is {value[:40]!r}; one of {', '.join(choices)} is needed")

    def optional_instant(self, name: str) -> int | None:
        value = self.optional_text(name, 64)
        return None if value is None else from_text(value, self.path(name))

    def instant(self, name: str) -> int:
        return from_text(self.text(name, 64), self.path(name))

    def object(self, name: str) -> Fields:
        return Fields(self._take(name), self.path(name), self.faults)

    def optional_object(self, name: str) -> Fields | None:
        value = self._take(name)
        return None if value is None else Fields(value, self.path(name), self.faults)

    def optional_truth(self, name: str) -> bool | None:
        value = self._take(name)
        if value is not None and not isinstance(value, bool):
            raise BadFact(self.path(name), f"is {type_name(value)}; true or false is needed")
        return value

    def truth(self, name: str) -> bool:
        value = self.optional_truth(name)
        if value is None:
            raise BadFact(self.path(name), "is missing; true or false is needed")
        return value

    def optional_list(self, name: str, most: int, of: str) -> Fields | None:
        """A list's items by their places: "0" and so on. ``of`` says in an error what they should be."""
        value = self._take(name)
        if value is None:
            return None
        if not isinstance(value, list) or len(value) > most:
            raise BadFact(self.path(name), f"a list of at most {most} {of} is needed")
        return Fields({str(place): item for place, item in enumerate(value)}, self.path(name))

    def is_list(self, name: str) -> bool:
        return isinstance(self._members.get(name), list)

    def texts(self, name: str, most: int, longest: int = TEXT_MAX) -> tuple[str, ...]:
        items = self.optional_list(name, most, "texts")
        return () if items is None else tuple(items.text(place, longest) for place in items.names())

    def members(self, name: str) -> dict[str, Any]:
        """An object whose members another reader will take."""
        value = self._take(name)
        if not isinstance(value, dict):
            raise BadFact(self.path(name), f"is {type_name(value)}; an object is needed")
        return value

    def names(self) -> tuple[str, ...]:
        """What has not been read yet."""
        return tuple(self._members)

    def finish(self, known: Iterable[str] = ()) -> None:
        """Refuse what nobody asked for, or note it: a misspelt member would otherwise mean *unknown* in silence."""
        if self._members and self.faults is not None:
            for name in self._members:
                self.faults.leave_out(self.path(str(name)), str(name), known)
            self._members = {}
        if self._members:
            left = ", ".join(sorted(str(name)[:40] for name in self._members))
            raise BadFact(self.where or "object", f"has unknown members: {left}; remove or correct them")


def type_name(value: Any) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true or false"
    for kind, name in (
        (int, "a number"),
        (float, "a number with a fraction"),
        (str, "a text"),
        (list, "a list"),
    ):
        if isinstance(value, kind):
            return name
    return "an object"
