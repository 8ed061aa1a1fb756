"""Whatever fact is stored comes back the same, byte for byte, from JSON, from memory and from the database."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.codec import fact_bytes, from_json, to_json
from pagereeve.domain.facts.facts import BadgePresented, Event, Fact, Origin, PlateauRead, ReadFailed
from pagereeve.domain.facts.reading import PrinterState, Sight
from pagereeve.domain.values.canonical import canonical
from pagereeve.domain.values.codec import FIGURE_MAX
from pagereeve.domain.values.errors import BadCanonical, BadFact
from pagereeve.domain.values.fields import TEXT_MAX
from pagereeve.ports.store import Store
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.records.encoding import canonical_text
from pagereeve.store.records.fact_record import FAR_US, fact_of, file, surely_readable
from pagereeve.store.sqlite.journal import SqlJournal
from tests.facts_strategies import EVENTS, FACTS, INSTANTS_US, NAMES, READS, RUNS


class Journals:
    """One loop and one database for all examples: opening one each would cost more than what is tried."""

    def __init__(self, runner: asyncio.Runner, path: Path) -> None:
        self.runner = runner
        self.sql = runner.run(SqlJournal.open(path, SystemClock()))
        self.memory = MemoryJournal()


@pytest.fixture(scope="module")
def journals(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Journals]:
    with asyncio.Runner() as runner:
        journals = Journals(runner, tmp_path_factory.mktemp("journal") / "journal.db")
        yield journals
        runner.run(journals.sql.close())


@given(FACTS)
def test_a_fact_survives_json(fact: Fact) -> None:
    assert from_json(json.loads(fact_bytes(fact))) == fact


@given(FACTS)
def test_a_stored_body_is_the_facts_canonical_bytes(fact: Fact) -> None:
    assert file(fact).body.encode() == fact_bytes(fact) == canonical(to_json(fact))


ANY_TEXT = st.text(max_size=6) | st.just("x" * 1_100)
ANY_ORIGIN = st.builds(
    Origin,
    source=ANY_TEXT,
    id=ANY_TEXT,
    at_us=INSTANTS_US | st.integers(-(2**60), 2**60),
    received_us=INSTANTS_US,
    occurred_us=st.none() | st.integers(-(2**60), 2**60),
    clock=st.just(""),
)


@given(event=EVENTS, origin=ANY_ORIGIN, printer=ANY_TEXT, added=ANY_TEXT)
def test_whatever_is_added_to_an_event_a_stored_one_can_be_read(
    event: Event, origin: Origin, printer: str, added: str
) -> None:
    """The doors vouch for the data; source, id, printer, instants and the hashed badge are put in later."""
    changed = replace(event, printer=printer, origin=origin)
    if isinstance(changed, BadgePresented):
        changed = replace(changed, badge=added, gateway=added)
    try:
        filing = file(changed)
    except (BadFact, BadCanonical, OverflowError):
        return
    assert fact_of(filing.body) == changed


@given(EVENTS)
def test_an_ordinary_event_is_not_read_back_for_nothing(event: Event) -> None:
    ordinary = replace(event.origin, source="s", id="i", at_us=0, received_us=0, occurred_us=None)
    plain = replace(event, origin=ordinary)
    body = file(plain).body
    assert surely_readable(plain, body) == (len(body) <= TEXT_MAX and "\\" not in body)


ANY_INSTANT_US = INSTANTS_US | st.integers(-(2**60), 2**60) | st.just(FAR_US)
ANY_FIGURE = st.none() | st.sampled_from([-1, 0, 1, 2**32 - 1, 2**32, 2**53 - 1])
GROWN = st.fixed_dictionaries(
    {},
    optional={
        **dict.fromkeys(("first_sent_us", "first_received_us", "last_sent_us", "last_received_us"), ANY_INSTANT_US),
        **dict.fromkeys(("first_uptime_cs", "last_uptime_cs", "first_power_on", "last_power_on"), ANY_FIGURE),
        "count": st.integers(-1, 2),
    },
)


@given(read=READS, printer=NAMES | ANY_TEXT, grown=GROWN)
def test_whatever_a_run_of_a_known_sight_comes_to_a_stored_one_can_be_read(
    read: PlateauRead, printer: str, grown: dict[str, Any]
) -> None:
    file(read)
    again = replace(read, printer=printer, plateau=replace(read.plateau, **grown))
    body = canonical_of(again)
    try:
        reads_back = body is not None and fact_of(body) == again
    except BadFact:
        reads_back = False
    if reads_back:
        assert file(again).body == body
    else:
        with pytest.raises((BadFact, BadCanonical, OverflowError)):
            file(again)


def canonical_of(fact: Fact) -> str | None:
    try:
        return fact_bytes(fact).decode()
    except (BadCanonical, OverflowError):
        return None


def _at_no_time(read: PlateauRead, printer: str) -> PlateauRead:
    plain = replace(read.plateau, first_sent_us=0, first_received_us=0, last_sent_us=0, last_received_us=0)
    return PlateauRead(printer, plain)


@given(READS)
def test_a_sight_is_read_back_once(read: PlateauRead) -> None:
    PRINTERS.append(f"printer-{len(PRINTERS)}")
    one = _at_no_time(read, PRINTERS[-1])
    body = fact_bytes(one).decode()
    assert not surely_readable(one, body)
    assert file(one).body == body
    assert surely_readable(one, body)
    assert surely_readable(_shown(one, replace(one.plateau.sight)), body), "the same sight, read anew"
    assert not surely_readable(replace(one, printer="printer-b"), body), "of a printer that nothing was read back of"
    assert not surely_readable(_shown(one, replace(one.plateau.sight, serial="other")), body)


PRINTERS: list[str] = []
FIGURES = st.integers(0, 2**32) | st.sampled_from([-1, FIGURE_MAX, FIGURE_MAX + 1])


@given(READS, st.data())
def test_of_a_sight_that_shows_other_figures_what_is_stored_can_be_read(read: PlateauRead, data: st.DataObject) -> None:
    one = _at_no_time(read, "printer-a")
    file(one)
    sight = one.plateau.sight
    counts = tuple((name, replace(count, value=data.draw(FIGURES))) for name, count in sight.counts)
    counters = tuple(replace(counter, value=data.draw(FIGURES)) for counter in sight.counters)
    state = data.draw(st.sampled_from(PrinterState))
    other = _shown(one, replace(sight, counts=counts, counters=counters, state=state))
    figures = [count.value for _, count in counts] + [counter.value for counter in counters]
    if min(figures, default=0) >= 0 and max(figures, default=0) <= FIGURE_MAX:
        body = fact_bytes(other).decode()
        assert surely_readable(other, body)
        assert fact_of(body) == other
        assert file(other).body == body
    else:
        assert not surely_readable(other, "")
        with pytest.raises((BadFact, BadCanonical)):
            file(other)


def _shown(read: PlateauRead, sight: Sight) -> PlateauRead:
    return replace(read, plateau=replace(read.plateau, sight=sight))


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


@given(JSON)
def test_the_fast_encoder_writes_what_the_slow_one_writes(value: object) -> None:
    try:
        expected = canonical(value)
    except BadCanonical:
        with pytest.raises(BadCanonical):
            canonical_text(value)
    else:
        assert canonical_text(value).encode() == expected


async def _stored_and_read(store: Store, fact: Fact) -> Fact:
    receipt = await store.append(fact)
    if receipt.outcome != "stored":
        return fact
    by_seq = {stored.seq: stored.fact async for stored in store.facts(fact.printer)}
    return by_seq[receipt.seq]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(st.lists(FACTS, min_size=1, max_size=4))
def test_a_fact_comes_back_byte_for_byte(journals: Journals, facts: list[Fact]) -> None:
    for store in (journals.sql, journals.memory):
        for fact in facts:
            back = journals.runner.run(_stored_and_read(store, fact))
            assert back == fact
            assert fact_bytes(back) == fact_bytes(fact)


@given(RUNS)
def test_an_open_run_comes_back_byte_for_byte(journals: Journals, run: PlateauRead | ReadFailed) -> None:
    for store in (journals.sql, journals.memory):
        journals.runner.run(store.observe(run.printer, [], run))
        known = journals.runner.run(store.open_run(run.printer))
        assert known is not None
        assert known.fact == run
