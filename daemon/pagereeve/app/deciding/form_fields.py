"""A form's fields, and what came of what they said in the words of an address."""

from __future__ import annotations

import hashlib
from collections.abc import Awaitable, Mapping, Sequence
from typing import Any, Final
from urllib.parse import parse_qsl

from pagereeve.console.api.problems import ApiProblem, ProblemKind
from pagereeve.console.pages.came import Came
from pagereeve.console.pages.forms import TOGETHER_MAX
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.plain_text import require_plain_members
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.journal import JournalUnavailable

FORM_TYPE: Final = "application/x-www-form-urlencoded"
FIELDS_MAX: Final = TOGETHER_MAX + 20
KEY_MAX: Final = 100
DIGEST_SHOWN: Final = 32

_KINDS: Final[Mapping[ProblemKind, Came]] = {
    "not-found": "gone",
    "conflict": "conflict",
    "not-possible": "not-possible",
    "over-capacity": "busy",
    "journal-unavailable": "busy",
}

Fields = Mapping[str, Sequence[str]]


def fields_of(body: bytes) -> Fields:
    """By name, in order; none where it is no form."""
    fields: dict[str, list[str]] = {}
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=FIELDS_MAX)
        require_plain_members([list(pair) for pair in pairs], "form")
    except (ValueError, BadFact):
        return {}
    for name, value in pairs:
        fields.setdefault(name, []).append(value)
    return fields


def members_of(fields: Fields, names: Sequence[str]) -> dict[str, Any]:
    """Those that were filled in. Raises ValueError where one came twice."""
    members = {}
    for name in names:
        [value] = fields.get(name, ("",))
        if value:
            members[name] = value
    return members


def key_of(fields: Fields, of: str) -> str:
    """The form's own, for each thing that it decides on: what is sent twice is decided once. Raises ValueError."""
    [key] = fields.get("key", ("",))
    if len(key) > KEY_MAX:
        raise ValueError("key")
    digest = hashlib.sha256(f"{key} {of}".encode(errors="surrogateescape")).hexdigest()
    return f"form-{digest[:DIGEST_SHOWN]}" if key else ""


async def came_of(decided: Awaitable[Came]) -> Came:
    try:
        return await decided
    except ApiProblem as problem:
        return _KINDS.get(problem.kind, "bad")
    except JournalUnavailable:
        return "busy"
    except Refusal as refusal:
        return "not-allowed" if refusal.let_go().reason == "forbidden" else "busy"
