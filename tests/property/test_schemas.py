"""A schema and the code that decides say the same of any value, but for what the schema's description names."""

from __future__ import annotations

import asyncio
import io
import json
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from pagereeve.domain.credentials.callers import ACTS, Caller
from pagereeve.domain.facts.events import AUTHOR, EVENT_TYPES, PAGES_DECIDED, data_of
from pagereeve.domain.facts.facts import Event
from pagereeve.domain.values.errors import BadFact
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.intake.dating import Dating
from pagereeve.feeds.authorization import authorized
from pagereeve.feeds.http.cloudevents import BATCH_MAX, read_batch, read_structured
from pagereeve.feeds.http.event_schema import batch_schema, events_schema
from pagereeve.feeds.refusals import BadItem, Refusal
from pagereeve.ports.intake import Envelope
from pagereeve.reports.facts_file import BadLine, FactLine, line_bytes, read_lines
from pagereeve.reports.facts_schema import facts_schema
from tests.facts_strategies import EVENTS, FACTS
from tests.schema_values import Near

EVENT_SCHEMA, BATCH_SCHEMA, FACT_SCHEMA = events_schema(), batch_schema(), facts_schema()
OF_EVENT, OF_BATCH, OF_FACT = map(Draft202012Validator, (EVENT_SCHEMA, BATCH_SCHEMA, FACT_SCHEMA))
SENDER = Caller("warden", frozenset(ACTS))
# What descriptions say that no schema can: the calendar, and what must fit between members.
UNSAID_OF_EVENTS = ("names no instant",)
UNSAID_OF_FACTS = (
    *UNSAID_OF_EVENTS,
    "ends before it begins",
    "is before sent",
    "is before at",
    "is the same person",
    "units.",
    *(f"{name}: has unknown members" for name in ("units", "moduli", "objects", "unit_grades")),
)


class StandingClock:
    def now_us(self) -> int:
        return 1_795_597_200_000_000

    def monotonic_us(self) -> int:
        return 0


async def _no_delays(source: str, most: int) -> Sequence[tuple[int, int]]:
    del source, most
    return ()


def accepts_event(value: Any) -> tuple[bool, str]:
    """Whether the endpoint and the intake's first stage take all of it, without a remark; and what they say."""
    try:
        return _dated(read_structured(json.dumps(value).encode()))
    except Refusal as refusal:
        return False, f"{refusal.where} {refusal.problem}"


def _dated(envelope: Envelope) -> tuple[bool, str]:
    stage = Dating(StandingClock(), _no_delays, EngineCounters())  # type: ignore[arg-type]
    try:
        dated = asyncio.run(stage.envelope(authorized(envelope, SENDER)))
    except (BadFact, Refusal) as error:
        return False, f"{error.where} {error.problem}"
    return not dated.remarks, "; ".join(one.problem for one in dated.remarks)


def accepts_line(value: Any) -> tuple[bool, str]:
    found = list(read_lines(io.BytesIO(json.dumps(value).encode())))
    if isinstance(found[0], BadLine):
        return False, found[0].problem
    return not found[0].remarks, "; ".join(one.problem for one in found[0].remarks)


def agree(validator: Draft202012Validator, value: Any, judged: tuple[bool, str], unsaid: tuple[str, ...]) -> None:
    accepted, why = judged
    in_schema = validator.is_valid(value)
    if in_schema and not accepted:
        assert any(text in why for text in unsaid), f"the schema accepts what is refused: {why}\n{value}"
    elif accepted and not in_schema:
        raise AssertionError(f"accepted, and refused by the schema: {next(validator.iter_errors(value))}\n{value}")


@st.composite
def near_events(draw: st.DrawFn) -> Any:
    return Near(EVENT_SCHEMA).value(draw, draw(st.sampled_from(EVENT_SCHEMA["oneOf"])))


@st.composite
def near_facts(draw: st.DrawFn) -> Any:
    return Near(FACT_SCHEMA).value(draw, draw(st.sampled_from(FACT_SCHEMA["oneOf"])))


@given(near_events())
def test_the_schema_of_events_accepts_what_the_endpoint_does(value: Any) -> None:
    agree(OF_EVENT, value, accepts_event(value), UNSAID_OF_EVENTS)


_OF_RELEASE = {"channel": "total", "release_source": "/s", "release_id": "r-1"}
_OF_GAP = {"channel": "total", "printer": "p", "closes": "2026-11-25T09:00:00Z"}
_RIGHT = (
    {"act": "waive", **_OF_RELEASE},
    {"act": "confirm", **_OF_RELEASE},
    {"act": "move", **_OF_RELEASE, "from": "surplus", "to": "house", "to_name": "stray"},
    {"act": "move", **_OF_GAP, "from": "stray", "to": "person", "to_name": "anise"},
    {"act": "undo", "undoes": "d-1"},
)
_OTHERWISE: dict[str, list[Any]] = {
    "act": ["waive", "confirm", "move", "undo"],
    "printer": [None, "", "p"],
    "channel": [None, "", "total"],
    "release_source": [None, "", "/s"],
    "release_id": [None, "", "r-1"],
    "closes": [None, "2026-11-25T09:00:00Z"],
    "from": [None, "unproven", "stray", "surplus", "unattributed"],
    "to": [None, "person", "cost-centre", "house"],
    "to_name": [None, "", "anise", "stray", "surplus", "maintenance", "unattributed"],
    "undoes": [None, "", "d-1"],
}


@st.composite
def decisions_about_pages(draw: st.DrawFn) -> dict[str, Any]:
    """A right one, with at most four members otherwise."""
    data: dict[str, Any] = {"pages": 3, "reason": "agreed", **draw(st.sampled_from(_RIGHT))}
    for name in draw(st.lists(st.sampled_from(sorted(_OTHERWISE)), max_size=4)):
        data[name] = draw(st.sampled_from(_OTHERWISE[name]))
    return data


@given(decisions_about_pages())
def test_the_rules_of_decisions_about_pages_are_the_schemas(data: dict[str, Any]) -> None:
    """Members that must fit one another, in every mixture."""
    value = {"specversion": "1.0", "id": "d", "source": "/s", "type": PAGES_DECIDED, "data": data}
    agree(OF_EVENT, value, accepts_event(value), ())


@given(EVENTS)
def test_every_event_that_can_be_sent_is_in_the_schema(event: Event) -> None:
    kind, data = data_of(event)
    data.pop(AUTHOR, None)
    value = {"specversion": "1.0", "id": event.origin.id, "source": event.origin.source, "type": kind, "data": data}
    agree(OF_EVENT, value, accepts_event(value), UNSAID_OF_EVENTS)


@settings(max_examples=30)
@given(st.lists(near_events(), max_size=2))
def test_a_batch_is_a_list_of_such_events(values: list[Any]) -> None:
    found = read_batch(json.dumps(values).encode())
    fine = [not isinstance(one, BadItem) and accepts_event(value)[0] for one, value in zip(found, values, strict=True)]
    assert all(OF_EVENT.is_valid(value) for value in values) == OF_BATCH.is_valid(values)
    assert not all(fine) or OF_BATCH.is_valid(values)


def test_a_batch_has_as_many_events_as_the_endpoint_accepts_at_once() -> None:
    event = {"specversion": "1.0", "id": "e", "source": "/s", "type": "pagereeve.release.ended.v1"}
    event["data"] = {"release": "r", "outcome": "completed"}  # type: ignore[assignment]
    assert BATCH_SCHEMA["maxItems"] == len(read_batch(json.dumps([event] * BATCH_MAX).encode()))
    with pytest.raises(Refusal):
        read_batch(json.dumps([event] * (BATCH_MAX + 1)).encode())


@given(near_facts())
def test_the_schema_of_facts_accepts_what_is_read(value: Any) -> None:
    agree(OF_FACT, value, accepts_line(value), UNSAID_OF_FACTS)


@given(FACTS, st.none() | st.integers(1, 2**53 - 1))
def test_every_fact_that_is_written_is_in_the_schema(fact: Any, seq: int | None) -> None:
    OF_FACT.validate(json.loads(line_bytes(FactLine(fact, seq))))


def test_what_no_schema_can_say_is_said() -> None:
    """A whole number with a fraction of zero is an integer to JSON Schema (Validation, section 6.1.1)."""
    event = {"specversion": "1.0", "id": "e", "source": "/s", "type": "pagereeve.release.ended.v1"}
    value = {**event, "data": {"release": "r", "outcome": "completed", "pages_sent": 5.0}}
    assert OF_EVENT.is_valid(value)
    assert not accepts_event(value)[0]
    assert all("5.0" in schema["description"] for schema in (EVENT_SCHEMA, BATCH_SCHEMA, FACT_SCHEMA))


def test_each_type_of_event_is_in_the_schema_once() -> None:
    types = [
        EVENT_SCHEMA["$defs"][one["$ref"].rpartition("/")[2]]["properties"]["type"]["const"]
        for one in EVENT_SCHEMA["oneOf"]
    ]
    assert types == [one.kind for one in EVENT_TYPES]
