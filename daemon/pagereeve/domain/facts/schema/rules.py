"""What must fit between members of one object, as far as JSON Schema can say it, and in words where it can't.

Each stands beside the ``check`` of the codec of its class; tests hold one against the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from pagereeve.domain.facts.facts import Decided, PagesDecided, ReadingNoted
from pagereeve.domain.facts.jobs import JobCounted
from pagereeve.domain.facts.noted_reading import NOTED_CHANNELS, NotedReading
from pagereeve.domain.facts.page_decision import MOVED_TO_HOUSE, PageDecision
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed
from pagereeve.domain.facts.people_codec import PERSON_ID
from pagereeve.domain.facts.reading import Count, Plateau

Condition = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Rules:
    """``conditions`` must all hold; ``unsaid`` is what they leave out, in plain words."""

    conditions: tuple[Condition, ...] = ()
    unsaid: str = ""


def _is(member: str, *words: str) -> Condition:
    return {"required": [member], "properties": {member: {"enum": list(words)}}}


def _said(*members: str) -> Condition:
    text = {"type": "string", "minLength": 1}
    return {"required": list(members), "properties": dict.fromkeys(members, text)}


def _unsaid(*members: str) -> Condition:
    return {"not": {"anyOf": [_said(member) for member in members]}}


def _if(first: Condition, then: Condition) -> Condition:
    return {"if": first, "then": then}


def _all(*conditions: Condition) -> Condition:
    return {"allOf": list(conditions)}


_RELEASE: Final = _said("release_source", "release_id")
_OTHER_HOUSE_ACCOUNTS: Final = tuple(
    _if(
        _all(_is("act", "move"), _is("to", "house"), _is("from", known)),
        _is("to_name", *(one for one in MOVED_TO_HOUSE if one != known)),
    )
    for known in ("stray", "surplus", "unattributed")
)
_PAGES: Final = (
    _if(
        _is("act", "undo"),
        _all(
            _said("undoes"),
            _unsaid("channel", "release_source", "release_id", "closes", "from", "to", "to_name"),
        ),
    ),
    _if(
        _is("act", "waive", "confirm"),
        _all(_said("channel"), _RELEASE, _unsaid("undoes", "closes", "from", "to", "to_name")),
    ),
    _if(
        _is("act", "move"),
        _all(
            _said("channel", "to", "to_name"),
            _unsaid("undoes"),
            {"oneOf": [_RELEASE, _said("closes")]},
            {"if": _RELEASE, "then": _is("from", "unproven", "surplus", "unattributed"), "else": _is("from", "stray")},
            _if(_is("to", "house"), {"not": _is("from", "unproven")}),
        ),
    ),
    *_OTHER_HOUSE_ACCOUNTS,
)
_PERSON: Final = {"pattern": f"^{PERSON_ID.pattern}$"}
_NOTED: Final = {
    "if": _said("voids"),
    "then": _all(
        _unsaid("channel"),
        {"properties": {"figure": {"type": "null"}, "despite": {"const": False}}},
    ),
    "else": _all(
        _is("channel", *NOTED_CHANNELS),
        {"required": ["figure", "read"], "properties": {"figure": {"type": "integer"}, "read": {"type": "string"}}},
    ),
}
_TWO: Final = Rules(
    ({"properties": {"person": _PERSON, "into": _PERSON}},),
    "Beyond this schema: person and into are two different ones.",
)

RULES: Final[dict[type, Rules]] = {
    Decided: Rules((_if(_is("action", "book"), _said("at")), _if(_is("action", "explain"), _said("reason")))),
    PageDecision: Rules(_PAGES),
    PagesDecided: Rules((_if(_said("closes"), _said("printer")),)),
    NotedReading: Rules((_NOTED,)),
    ReadingNoted: Rules((_if(_unsaid("voids"), _said("printer")),)),
    Count: Rules(
        unsaid="Beyond this schema: units names the same channels as counts; moduli, objects and unit_grades name "
        "no others."
    ),
    Plateau: Rules(
        unsaid="Beyond this schema: the first and the last reading are each received after they were sent, "
        "and the last is not before the first."
    ),
    JobCounted: Rules(
        unsaid="Beyond this schema: received is not before sent; of began and of ended, until is not before from."
    ),
    PersonNamed: Rules(({"properties": {"person": _PERSON}},), "Beyond this schema: until is not before at."),
    PeopleMerged: _TWO,
    MergeUndone: _TWO,
}
