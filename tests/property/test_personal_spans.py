"""What is sealed of a fact by what was noted when it was encoded is, to the byte, what reading its body again gives."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.personal import PERSONAL
from pagereeve.domain.values.errors import BadCanonical, BadFact
from pagereeve.store.records.encoding import canonical_text, encoder_for
from pagereeve.store.records.fact_record import FactRecord, file
from pagereeve.store.records.personal_spans import personal_spans, spliced_content
from pagereeve.store.records.sealing import SealState, new_content, seal, seal_filed
from tests.facts_strategies import FACTS
from tests.journal_samples import badge, ended, failed, read, started

# What could be taken for a member, or for the end of one.
TRAPS = [
    '"owner":',
    '","owner":"',
    "\\",
    '\\"job":"x"',
    '{"commitment":"',
    "}",
    "null",
    'x"by',
    "é\U0001f5a8",
    "\u2028",
    "\x7f",
]


def salts(count: int) -> bytes:
    return bytes(itertools.islice(itertools.count(1), count))


def same(record: FactRecord) -> None:
    """Both ways of sealing give one content; with spans the second is by splicing, without by reading."""
    content, openings = new_content(record.body, record.kind, salts)
    if record.spans is not None:
        spliced, opened = spliced_content(record.body, record.spans, salts)
        assert (spliced, str(opened)) == (content, str(openings))
    read_again, noted = SealState("0" * 32), SealState("0" * 32)
    rows = [(record.printer, 1, record.kind, record.body)] * 2
    entries = seal(read_again, rows, lambda _: None, salts)
    assert entries == seal_filed(noted, [(1, record)] * 2, lambda _: None, salts)
    assert (read_again.tree.head(), read_again.links) == (noted.tree.head(), noted.links)


@given(FACTS)
def test_facts_of_every_kind_are_sealed_alike(fact: Fact) -> None:
    same(file(fact))


@given(st.text(alphabet=st.characters(codec="utf-8"), min_size=1, max_size=40) | st.sampled_from(TRAPS))
def test_whatever_a_text_holds(text: str) -> None:
    fact = started("e-1")
    try:
        records = [
            file(replace(fact, owner=text, job=text)),
            file(replace(fact, badge=text, queue=text)),
            file(replace(fact, release=text)),
        ]
    except BadFact:
        return
    for record in records:
        same(record)


def members_named(*names: str) -> st.SearchStrategy[dict[str, object]]:
    """Objects in which personal names stand where they are personal, elsewhere, and in names and texts."""
    name = st.sampled_from([*names, *TRAPS])
    value = st.recursive(
        st.none() | st.booleans() | st.integers(-9, 9) | st.sampled_from([*names, *TRAPS]) | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(name, inner, max_size=4),
        max_leaves=8,
    )
    return st.dictionaries(name, value, max_size=6)


@given(members_named("owner", "badge", "job", "id"), members_named("owner", "title", "data", "id"))
def test_whatever_members_stand_beside_it(data: dict[str, object], beside: dict[str, object]) -> None:
    for kind in ("pagereeve.release.started.v1", "pagereeve.badge.presented.v1"):
        members = {**beside, "fact": "event", "type": kind, "data": data}
        try:
            body = canonical_text(members)
        except BadCanonical:
            continue
        if isinstance(data.get("ticket"), list | str | int):
            continue
        spans = personal_spans(json.loads(body), kind, body, encoder_for(members))
        if spans is not None:
            content, openings = new_content(body, kind, salts)
            spliced, opened = spliced_content(body, spans, salts)
            assert (spliced, str(opened)) == (content, str(openings))


@pytest.mark.parametrize("fact", [started("e-1"), ended("e-2", "r-1", "printer-a"), badge("e-3"), read(7), failed()])
def test_what_comes_in_thousands_needs_no_second_reading(fact: Fact) -> None:
    record = file(fact)
    assert record.spans is not None
    assert {name for name, _, _ in record.spans} <= set(PERSONAL.get(record.kind, ()))
    same(record)
