"""Whatever facts of a day are damaged: the ledger adds up, in any order, and comes out the same in steps."""

from __future__ import annotations

from random import Random

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.facts.codec import to_json
from pagereeve.domain.facts.facts import Event, Fact, FactDamaged, instant_us
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, rebuild, replay
from tests.property.days import PRINTER, make_day, shuffled
from tests.property.keeping import Keeping


def damaged(fact: Fact, number: int) -> FactDamaged:
    members = to_json(fact)
    kind = str(members["type"] if isinstance(fact, Event) else members["fact"])
    return FactDamaged(fact.printer, instant_us(fact), number, kind)


@given(st.integers(0, 2**32), st.integers(1, 4))
def test_a_day_with_damaged_facts_adds_up_and_is_the_same_in_steps(seed: int, count: int) -> None:
    day, random = make_day(seed), Random(seed)
    lost = {id(fact): damaged(fact, number) for number, fact in enumerate(random.sample(day.facts, count))}
    facts = [lost.get(id(fact), fact) for fact in day.facts]
    ledger = replay(PRINTER, facts, day.open_run)
    assert Ledger.of(rebuild(PRINTER, shuffled(facts, seed), day.open_run)) == ledger
    told = [one for one in ledger.findings if one.kind == "fact-damaged"]
    assert len(told) == len(set(lost.values()))
    keeping = Keeping(PRINTER)
    for fact, current in day.steps:
        keeping.take(None if fact is None else lost.get(id(fact), fact), current)
    assert keeping.ledger() == ledger
    projector = PrinterProjector(PRINTER, Rules.of(facts))
    for fact in facts:
        projector.add(fact)
    projector.open_run(day.open_run)
    whole = projector.projected()
    lines = conserved(PRINTER, whole.runs.runs, whole.windows, ledger.postings)
    assert [line for line in lines if not line.ok] == []
