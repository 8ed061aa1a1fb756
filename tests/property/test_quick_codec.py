"""What is read quickly is what is read carefully: the same facts, and nothing that the careful way refuses."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from pydantic_core import from_json as quick_json

from pagereeve.domain.facts.codec import from_json, quick_fact
from pagereeve.domain.facts.facts import Fact, ReleaseEnded, ReleaseStarted
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import from_own_text, from_text, to_text
from pagereeve.store.records.fact_record import fact_of, file
from tests.facts_strategies import FACTS, FAILED_READS, INSTANTS_US, READS, STARTS

OTHER_VALUES = st.one_of(
    *(st.none(), st.booleans(), st.integers(-5, 5), st.integers(2**52, 2**70), st.floats(), st.text(max_size=3)),
    *(st.just(""), st.just("x" * 1_100), st.just("a\x07"), st.just("\ud800"), st.just([]), st.just({}), st.just([1])),
    st.sampled_from(["idle", "total", "sheets", "2026-01-31T09:00:00Z", "2026-01-31T09:00:00.000000Z", "completed"]),
)


@given(FACTS)
def test_a_body_read_quickly_is_the_fact_read_carefully(fact: Fact) -> None:
    body = file(fact).body
    quick, careful = quick_fact(quick_json(body)), from_json(json.loads(body))
    assert quick is None or (quick, repr(quick)) == (careful, repr(careful))
    assert repr(fact_of(body)) == repr(careful)


def objects_in(value: Any) -> list[dict[str, Any]]:
    members = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [*([value] if isinstance(value, dict) else []), *(one for member in members for one in objects_in(member))]


@given(FACTS, st.data())
def test_a_changed_body_is_taken_quickly_only_if_it_is_right(fact: Fact, data: st.DataObject) -> None:
    members = json.loads(file(fact).body)
    of = data.draw(st.sampled_from(objects_in(members)))
    name = data.draw(st.sampled_from([*of, "another"]))
    if data.draw(st.booleans()):
        of.pop(name, None)
    else:
        of[name] = data.draw(OTHER_VALUES)
    text = json.dumps(members)
    try:
        careful = from_json(json.loads(text))
    except BadFact:
        assert quick_fact(json.loads(text)) is None
    else:
        quick = quick_fact(json.loads(text))
        assert quick is None or (quick, repr(quick)) == (careful, repr(careful))


@given(st.one_of(READS, FAILED_READS, STARTS))
def test_facts_that_come_in_thousands_are_read_quickly(fact: Fact) -> None:
    if isinstance(fact, ReleaseStarted) and fact.ticket.unknown:
        return
    assert quick_fact(quick_json(file(fact).body)) == fact


def test_an_end_notice_is_read_quickly() -> None:
    body = (
        '{"at":"2026-01-31T09:00:00.000000Z","data":{"outcome":"completed","pages_sent":3,"release":"r1"},'
        '"fact":"event","id":"e1","printer":"p1","received":"2026-01-31T09:00:00.100000Z","source":"s",'
        '"type":"pagereeve.release.ended.v1"}'
    )
    ended = quick_fact(quick_json(body))
    assert isinstance(ended, ReleaseEnded)
    assert (ended.printer, ended.release, ended.pages_sent) == ("p1", "r1", 3)


@given(INSTANTS_US)
def test_an_instant_of_ours_is_read_quickly(at_us: int) -> None:
    assert from_own_text(to_text(at_us)) == at_us


@given(st.from_regex(r"\A[0-9W+-]{1,5}-[0-9+W]{1,3}-[0-9+]{1,3}T[0-9+]{2}:[0-9+]{2}:[0-9+]{2}[.,][0-9+:]{6}Z\Z"))
def test_a_text_that_is_nearly_an_instant_is_none_or_the_same(text: str) -> None:
    try:
        quick = from_own_text(text)
    except (ValueError, TypeError, IndexError):
        return
    assert quick == from_text(text)
