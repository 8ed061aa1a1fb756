"""Personal members enter the seal as salted commitments: value and salt can be erased, and the seal still holds."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from copy import copy
from functools import lru_cache
from typing import Any, Final

from pagereeve.domain.values.canonical import canonical

SALT_BYTES: Final = 16
COMMITMENT: Final = "commitment"
"""The one member of the object that stands in the place of a personal value."""
_MEMBER: Final = b"pagereeve member 1\n"
_ERASED: Final = "="
_BETWEEN: Final = " "


def commitment(salt: bytes, name: str, value: Any) -> bytes:
    """Of a member's value under its name (members inside one another joined by full stops)."""
    return hashlib.sha256(_MEMBER + salt + canonical([name, value])).digest()


def commitment_of_text(salt: bytes, name: str, text: str) -> bytes:
    """``commitment`` of a value whose canonical text is known."""
    return hashlib.sha256(_MEMBER + salt + _named(name) + text.encode() + b"]").digest()


@lru_cache(maxsize=256)
def _named(name: str) -> bytes:
    """The canonical bytes of a name and a value, up to the value."""
    return canonical([name])[:-1] + b","


class Openings:
    """What opens a fact's commitments, in the order of its personal members: a salt each, or where value and salt are
    erased, the commitment alone.
    """

    def __init__(self, parts: Sequence[str]) -> None:
        self._parts = tuple(parts)

    @classmethod
    def of_salts(cls, salts: bytes) -> Openings:
        """Of so many salts as ``salts`` is long."""
        return cls(salts.hex(_BETWEEN, SALT_BYTES).split(_BETWEEN) if salts else ())

    @classmethod
    def parsed(cls, text: str) -> Openings:
        return cls(text.split(_BETWEEN) if text else ())

    def __len__(self) -> int:
        return len(self._parts)

    def __str__(self) -> str:
        return _BETWEEN.join(self._parts)

    def is_erased(self, place: int) -> bool:
        return self._parts[place].startswith(_ERASED)

    def salt(self, place: int) -> bytes:
        """Raises ValueError where it is erased, or damaged."""
        salt = bytes.fromhex(self._parts[place])
        if len(salt) != SALT_BYTES:
            raise ValueError(f"a salt of {len(salt)} bytes")
        return salt

    def commitment(self, place: int, name: str, value: Any) -> bytes:
        """Raises ValueError where it is damaged."""
        if self.is_erased(place):
            return bytes.fromhex(self._parts[place].removeprefix(_ERASED))
        return commitment(self.salt(place), name, value)

    def erased(self, place: int, name: str, value: Any) -> Openings:
        """With this member's salt gone."""
        kept = list(self._parts)
        kept[place] = _ERASED + self.commitment(place, name, value).hex()
        return Openings(kept)


def member(members: Mapping[str, Any], name: str) -> Any:
    """The value under a name; None where there is none."""
    # By exact type: this runs for each personal member of each fact.
    value: Any = members
    for part in name.split("."):
        if type(value) is not dict:
            return None
        value = value.get(part)
    return value


def with_member(members: Mapping[str, Any], name: str, value: Any) -> dict[str, Any]:
    """A copy in which the member has another value; only what is on the way to it is copied."""
    changed = inner = dict(members)
    *way, last = name.split(".")
    for part in way:
        inner[part] = copy(inner[part])
        inner = inner[part]
    inner[last] = value
    return changed


def present(members: Mapping[str, Any], names: Sequence[str]) -> list[str]:
    """Those of the names that the fact has."""
    return [name for name in names if member(members, name) is not None]


def sealed_members(members: Mapping[str, Any], names: Sequence[str], openings: Openings) -> dict[str, Any]:
    """The fact as it enters the seal; ``names`` are those that are present.

    Raises ValueError where the openings are not theirs.
    """
    if len(openings) != len(names):
        raise ValueError(f"{len(openings)} openings of {len(names)} personal members")
    sealed = _copied(members)
    for place, name in enumerate(names):
        digest = openings.commitment(place, name, member(members, name))
        *way, last = name.split(".")
        inner = sealed
        for part in way:
            inner = inner[part]
        inner[last] = {COMMITMENT: digest.hex()}
    return sealed


def _copied(members: Mapping[str, Any]) -> dict[str, Any]:
    """Objects within objects are copied, and nothing else is: what is sealed is never changed in place."""
    return {name: _copied(value) if type(value) is dict else value for name, value in members.items()}
