"""The table of event types is the one place that lists them: what other rooms know of a type follows from it."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import Any, get_args

import pytest

from pagereeve.domain.badges.projector import COPY_SOURCE, checked_event
from pagereeve.domain.facts.events import AUTHOR, EVENT_TYPES, EventType, data_of, event_of, type_named, type_of
from pagereeve.domain.facts.facts import Event, Origin
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.values.errors import BadFact

EVENTS = (Path(__file__).parents[4] / "contrib" / "docs" / "events.md").read_text(encoding="utf-8")
ORIGIN = Origin("urn:invented:server", "e1", at_us=7, received_us=9)
WHOLE: dict[str, dict[str, Any]] = {
    "badge": {"badge": "b-1", "gateway": "gw", "reader": "desk"},
    "started": {
        "release": "r",
        "job": "j",
        "owner": "anise",
        "printer": "p",
        "gateway": "gw",
        "badge": "b-1",
        "queue": "q",
        "ticket": {"pages": 3, "sides": "one-sided"},
        "was": "j-0",
    },
    "ended": {"release": "r", "outcome": "completed", "pages_sent": 3},
    "noted": {"printer": "p", "note": "moved", "text": "to the cellar"},
    "decided": {"finding": "f-1", "action": "explain", "by": "warden", "reason": "jam", "text": "a jam"},
    "reading-noted": {
        "printer": "p",
        "channel": "total",
        "figure": 48_211,
        "read": "2026-11-30T16:00:00.000000Z",
        "despite": True,
        "by": "warden",
        "text": "from the status page",
    },
    "pages-decided": {
        "act": "move",
        "by": "warden",
        "pages": 3,
        "reason": "found-out",
        "text": "seen",
        "channel": "total",
        "release_source": "/server",
        "release_id": "r",
        "from": "surplus",
        "to": "person",
        "to_name": "anise",
    },
}

each_type = pytest.mark.parametrize("event_type", EVENT_TYPES, ids=lambda one: one.counter)


def test_every_event_has_one_row_of_its_own() -> None:
    assert [one.data.made for one in EVENT_TYPES] == list(get_args(Event))
    assert len({one.kind for one in EVENT_TYPES}) == len({one.counter for one in EVENT_TYPES}) == len(EVENT_TYPES)
    assert set(WHOLE) == {one.counter for one in EVENT_TYPES}


@each_type
def test_a_row_reads_its_own_fact_and_writes_the_same_data(event_type: EventType) -> None:
    data = WHOLE[event_type.counter]
    event = event_of(event_type.kind, ORIGIN, data)
    assert type(event) is event_type.data.made
    assert data_of(event) == (event_type.kind, data)
    assert type_of(event) is type_named(event_type.kind) is event_type
    assert event.origin == ORIGIN


@each_type
def test_what_a_row_needs_is_refused_when_it_is_missing(event_type: EventType) -> None:
    """So that a stored event whose needed texts are there can be relied upon without reading it back."""
    assert set(event_type.needed) <= {one.name for one in fields(event_type.data.made)}
    for name in event_type.needed:
        data = {member: value for member, value in WHOLE[event_type.counter].items() if member != name}
        with pytest.raises(BadFact) as refused:
            event_of(event_type.kind, ORIGIN, data)
        assert refused.value.where == f"data.{name}"


@each_type
def test_the_badge_checks_look_at_the_types_that_are_marked_so(event_type: EventType) -> None:
    event = event_of(event_type.kind, ORIGIN, WHOLE[event_type.counter])
    assert (checked_event(event) is event) == event_type.checked
    assert checked_event(replace(event, origin=replace(ORIGIN, source=COPY_SOURCE))) is None


@each_type
def test_the_rules_in_force_keep_the_types_that_are_marked_so(event_type: EventType) -> None:
    event = event_of(event_type.kind, ORIGIN, WHOLE[event_type.counter])
    assert (Rules.of([event]) != Rules()) == event_type.stands


@each_type
def test_the_document_names_a_type_and_its_members(event_type: EventType) -> None:
    (row,) = [line for line in EVENTS.splitlines() if line.startswith(f"| `{event_type.kind}` |")]
    for member in WHOLE[event_type.counter]:
        # An author is not the sender's to say.
        assert (f"`{member}`" in row) == (member != AUTHOR), member


def test_the_types_with_an_author_are_those_that_have_the_member() -> None:
    authored = [one for one in EVENT_TYPES if AUTHOR in {name.name for name in fields(one.data.made)}]
    assert authored == [one for one in EVENT_TYPES if one.authored]


def test_an_unknown_type_is_refused_with_the_known_ones() -> None:
    with pytest.raises(BadFact) as refused:
        event_of("pagereeve.badge.presented.v9", ORIGIN, {})
    assert refused.value.where == "type"
    for one in EVENT_TYPES:
        assert one.kind in refused.value.problem
