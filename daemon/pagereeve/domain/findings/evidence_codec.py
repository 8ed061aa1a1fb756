"""Evidence as JSON members, both ways: what the store keeps, resume points and alerts hold, and no sentence in it."""

from __future__ import annotations

from typing import Any, Final

from pagereeve.domain.ledger import Evidence, EvidenceKind, ReleaseKey, Value
from pagereeve.domain.values.errors import BadFact

_KINDS: Final = {kind.value: kind for kind in EvidenceKind}
_MEMBERS: Final = frozenset({"kind", "values", "release", "personal"})


def evidence_json(evidence: Evidence) -> dict[str, Any]:
    members: dict[str, Any] = {"kind": evidence.kind.value, "values": dict(evidence.values)}
    if evidence.release is not None:
        members["release"] = [evidence.release.source, evidence.release.release]
    if evidence.personal:
        members["personal"] = True
    return members


def evidence_of(members: Any, where: str = "evidence") -> Evidence:
    """The inverse. Raises BadFact, which names ``where``."""
    if not isinstance(members, dict) or not members.keys() <= _MEMBERS or members.get("kind") not in _KINDS:
        raise BadFact(where, "is no evidence of a kind that is known")
    values, key, personal = members.get("values"), members.get("release"), members.get("personal", False)
    if not isinstance(values, dict) or not isinstance(personal, bool):
        raise BadFact(where, "has values or a mark of the wrong type")
    if key is not None and not (isinstance(key, list) and len(key) == 2 and all(isinstance(one, str) for one in key)):
        raise BadFact(f"{where}.release", "is no pair of a source and a release")
    return Evidence(
        _KINDS[members["kind"]],
        tuple((name, _value(values[name], f"{where}.{name}")) for name in sorted(values)),
        None if key is None else ReleaseKey(*key),
        personal,
    )


def _value(value: Any, where: str) -> Value:
    if isinstance(value, int | str) and not isinstance(value, bool):
        return value
    if isinstance(value, list) and all(isinstance(one, str) for one in value):
        return tuple(value)
    if isinstance(value, list) and all(isinstance(one, list) and list(map(type, one)) == [str, int] for one in value):
        return tuple((name, figure) for name, figure in value)
    raise BadFact(where, "is no number, text, list of texts or list of named figures")
