"""A type of event that nobody knew, added to the one table: it passes the whole line, and comes back from the store."""

from __future__ import annotations

import json

import pytest

from pagereeve.domain.facts import events
from pagereeve.domain.facts.codec import fact_bytes, from_json
from pagereeve.domain.facts.events import EventType
from pagereeve.domain.facts.facts import Note, PrinterNoted
from pagereeve.domain.values.codec import TEXT, Codec, Member
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.faults import errors_of
from pagereeve.domain.values.records import dataclass
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import World

CLEANED = "pagereeve.invented.cleaned.v1"


@dataclass(frozen=True, slots=True)
class Cleaned(PrinterNoted):
    """Placed as a note is, which it inherits: nothing but its row says what else it is."""

    note: Note = "maintenance-ended"
    by: str = ""


DATA = Codec(Cleaned, Member("printer", TEXT), Member("by", TEXT), outside=("origin", "note", "text"))


@pytest.fixture(autouse=True)
def _row(monkeypatch: pytest.MonkeyPatch) -> None:
    row = EventType(CLEANED, "cleaned", DATA, needed=("printer", "by"), act="note")
    monkeypatch.setitem(events._BY_KIND, row.kind, row)
    monkeypatch.setitem(events._BY_FACT, Cleaned, row)


@pytest.mark.plain
def test_it_is_dated_placed_stored_counted_and_handed_on() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            before = len(world.sent_s())
            sent = {"printer": "p", "by": "warden"}
            outcomes = [(await world.send(CLEANED, sent, event="c1")).outcome for _ in range(2)]
            assert outcomes == ["stored", "duplicate"]
            await world.passes(5)
            (fact,) = [one for one in await world.facts() if isinstance(one, Cleaned)]
            assert (fact.by, fact.printer, fact.origin.key) == ("warden", "p", (fact.origin.source, "c1"))
            assert from_json(json.loads(fact_bytes(fact))) == fact
            assert world.counters.last_event_us["cleaned"] == fact.origin.received_us
            assert (await world.store.last_events())[CLEANED] == fact.origin.at_us
            assert len(world.sent_s()) > before
            assert world.troubles == []

    passing(story())


@pytest.mark.plain
def test_its_data_is_read_as_strictly_as_any_other() -> None:
    async def story() -> None:
        async with World() as world:
            with pytest.raises(BadFact) as refused:
                await world.send(CLEANED, {"printer": "p", "by": "", "mood": "good"})
            assert [one.where for one in errors_of(refused.value)] == ["data.by", "data.mood"]
            assert world.counters.refused["http", "data.by"] == 1
            taken = await world.send(CLEANED, {"printer": "p", "by": "warden", "mood": "good"})
            assert "data.mood" in [one.where for one in taken.remarks]

    passing(story())


@pytest.mark.plain
def test_a_restart_remembers_when_it_last_came() -> None:
    async def story() -> None:
        async with World() as world:
            world.counters.remember({CLEANED: 7, "of.no.type": 9}, 9)
            assert world.counters.last_event_us["cleaned"] == 7
            assert len(world.counters.last_event_us) == 1

    passing(story())
