"""Evidence as JSON members, both ways: what the store keeps, resume points and alerts hold, and no sentence in it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from pagereeve.domain.ledger import Evidence, EvidenceKind, ReleaseKey, Value
from pagereeve.domain.values.codec import TRUTH, Codec, Kind, Member, choice
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import Fields


def evidence_of(members: Any, where: str = "evidence") -> Evidence:
    """Raises BadFact, which names ``where``."""
    return EVIDENCE.read(Fields(members, where))


def _release_key(fields: Fields, name: str) -> ReleaseKey:
    pair = fields.texts(name, 2)
    if len(pair) != 2:
        raise BadFact(fields.path(name), "names no release; [source, release] is needed")
    return ReleaseKey(*pair)


def _values_of(fields: Fields, name: str) -> tuple[tuple[str, Value], ...]:
    values = fields.members(name)
    return tuple((known, _value(values[known], f"{fields.path(name)}.{known}")) for known in sorted(values))


def _value(value: Any, where: str) -> Value:
    if isinstance(value, int | str) and not isinstance(value, bool):
        return value
    if isinstance(value, list) and all(isinstance(one, str) for one in value):
        return tuple(value)
    if isinstance(value, list) and all(isinstance(one, list) and list(map(type, one)) == [str, int] for one in value):
        return tuple((name, figure) for name, figure in value)
    raise BadFact(where, "is no number, text, list of texts or list of named figures")


def _values_json(values: Iterable[tuple[str, Value]]) -> dict[str, Any]:
    return {name: list(value) if isinstance(value, tuple) else value for name, value in values}


RELEASE_KEY: Final[Kind[ReleaseKey]] = Kind(
    _release_key,
    lambda fields, name: _release_key(fields, name) if name in fields.names() else None,
    lambda key: [key.source, key.release],
)
"""A release's name as [source, release]."""

EVIDENCE: Final = Codec(
    Evidence,
    Member("kind", choice(EvidenceKind, str)),
    Member("values", Kind(_values_of, _values_of, _values_json)),
    Member("release", RELEASE_KEY, default=None),
    Member("personal", TRUTH, default=False),
)
evidence_json: Final = EVIDENCE.write
