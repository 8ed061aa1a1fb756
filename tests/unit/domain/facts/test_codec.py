"""Facts as they were written when they were first stored: each line of facts.jsonl is read, and written the same again.

A round trip alone would pass a form that changed on both sides; these bytes stand in people's journals. Lines are added
for what is new, and none is ever changed or removed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, get_args

import pytest

from pagereeve.domain.facts.codec import fact_bytes, from_json, to_json
from pagereeve.domain.facts.events import EVENT_TYPES
from pagereeve.domain.facts.facts import BadgePresented, Fact, Origin
from pagereeve.domain.facts.policy import BadgePolicy, Policy
from pagereeve.domain.facts.reading import Count
from pagereeve.domain.values.errors import BadFact

LINES = Path(__file__).with_name("facts.jsonl").read_bytes().splitlines()
# In bytes.splitlines only line feeds and carriage returns divide, and no canonical text holds one.
KINDS = get_args(Fact)
# Never of a printer; a printer's policy names each of its rules.
FIXED = {"printer", *Policy.__dataclass_fields__, *BadgePolicy.__dataclass_fields__}


def facts() -> list[Fact]:
    return [from_json(json.loads(line)) for line in LINES]


def test_every_line_is_written_as_it_was() -> None:
    for line in LINES:
        assert fact_bytes(from_json(json.loads(line))) == line


def test_every_kind_of_fact_has_a_line_and_a_codec() -> None:
    assert {type(fact) for fact in facts()} == set(KINDS)
    assert {one.kind for one in EVENT_TYPES} == {
        known["type"] for known in map(json.loads, LINES) if known["fact"] == "event"
    }


def members(value: Any, path: str) -> Iterator[tuple[str, bool]]:
    """Every member of a fact and of what it holds, and whether it says something."""
    if is_dataclass(value):
        for one in fields(value):
            inner = getattr(value, one.name)
            said = inner not in ("", None, ()) and inner != one.default
            yield f"{path}.{one.name}", said
            yield from members(inner, f"{path}.{one.name}")
    elif isinstance(value, tuple):
        for item in value:
            yield from members(item, path)


def test_every_optional_member_is_there_in_some_lines_and_not_in_others() -> None:
    seen: dict[str, set[bool]] = {}
    for fact in facts():
        for path, said in members(fact, type(fact).__name__):
            seen.setdefault(path, set()).add(said)
    optional = {
        f"{kind.__name__}.{one.name}"
        for kind in KINDS
        for one in fields(kind)
        if one.name not in FIXED and one.default in ("", None, ())
    }
    assert optional <= seen.keys()
    assert [path for path in optional if seen[path] != {True, False}] == []
    nested = (Origin, "origin"), (Count, "plateau.sight.counts")
    for kind, name in nested:
        paths = [path for path in seen if any(path.endswith(f"{name}.{one.name}") for one in fields(kind))]
        assert len(paths) >= len(fields(kind))
    for path in ("origin.occurred_us", "origin.clock", "ticket.pages", "ticket.title", "ticket.media"):
        assert seen[f"ReleaseStarted.{path}"] == {True, False}
    for path in ("modulus", "object"):
        assert seen[f"PlateauRead.plateau.sight.counts.{path}"] == {True, False}
    for path in ("serial", "object_id", "responder", "errors"):
        assert seen[f"PlateauRead.plateau.sight.{path}"] == {True, False}


def first(name: str) -> dict[str, Any]:
    kinds = ((known["type"] if known["fact"] == "event" else known["fact"], known) for known in map(json.loads, LINES))
    return next(known for kind, known in kinds if kind == name)


BROKEN = [
    ("policy", {"at": "yesterday"}, "at: 'yesterday' is no RFC 3339 time"),
    ("policy", {"policy": {"settle_us": -1}}, r"policy\.settle_us: is -1; 0 to"),
    ("policy", {"policy": {"settle": 1}}, "policy: has unknown members: settle"),
    ("policy", {"mood": "odd"}, "object: has unknown members: mood"),
    ("settle-learned", {"settle_us": None}, "settle_us: is missing; a whole number is needed"),
    ("read-failed", {"reason": "bored"}, "reason: is 'bored'; one of timeout, "),
    (
        "reading",
        {"counts": {}, "units": {"total": "sheets"}, "moduli": {}, "objects": {}},
        "units: has unknown members: total",
    ),
    ("reading", {"counts": {"total": True}}, r"counts\.total: is true or false"),
    ("reading", {"errors": "jammed"}, "errors: a list of at most 32 texts"),
    ("reading", {"last_received": "1960-01-01T00:00:00Z"}, "last_received: the reading ends before it begins"),
    ("bound", {"until": 7}, "until: is a number; a text is needed"),
    ("badge-unreadable", {"source": ""}, "source: is missing or empty; a text is needed"),
    ("conflict", {"digest": None}, "digest: is missing or empty; a text is needed"),
    ("pagereeve.badge.presented.v1", {"data": {"badge": "b"}}, r"data\.gateway: is missing or empty"),
    ("pagereeve.badge.presented.v1", {"data": []}, "data: is a list; an object is needed"),
    ("pagereeve.badge.presented.v1", {"type": "x"}, "type: 'x' is not known; known are pagereeve.badge"),
    ("pagereeve.badge.presented.v1", {"fact": "x"}, "fact: 'x' is not known; known are assigned, badge-unreadable"),
]


@pytest.mark.parametrize(("name", "changed", "problem"), BROKEN)
def test_a_broken_value_is_refused_by_its_path(name: str, changed: dict[str, Any], problem: str) -> None:
    with pytest.raises(BadFact, match=problem):
        from_json(first(name) | changed)


def test_the_printer_and_the_likeness_of_a_badge_are_no_part_of_its_data() -> None:
    badge = next(fact for fact in facts() if isinstance(fact, BadgePresented) and fact.resembles and fact.printer)
    known = to_json(badge)
    assert known["printer"] == badge.printer
    assert known["resembles"] == badge.resembles
    assert not {"printer", "resembles"} & known["data"].keys()
