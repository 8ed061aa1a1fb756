"""The laws that hold of every day, whatever it is made of."""

from __future__ import annotations

from random import Random

from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.projection.projection import Projected
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, rebuild, replay
from tests.property.days import PRINTER, Day, shuffled
from tests.property.keeping import Keeping


def projected(day: Day) -> Projected:
    projector = PrinterProjector(PRINTER, Rules(), hold_back_us=2**62)
    for fact in day.facts:
        projector.add(fact)
    projector.open_run(day.open_run)
    return projector.projected()


def assert_accounted(day: Day) -> Projected:
    """Every page of every channel is accounted for exactly once. The day projected in one piece."""
    everything = projected(day)
    lines = conserved(PRINTER, everything.runs.runs, everything.windows, everything.postings())
    assert lines
    assert [line for line in lines if not line.ok] == []
    return everything


def assert_order_changes_nothing(day: Day, seed: int) -> Ledger:
    """Nor does repetition, nor a rebuild step by step. The day's ledger."""
    mixed, whole = shuffled(day.facts, seed), replay(PRINTER, day.facts, day.open_run)
    assert replay(PRINTER, mixed, day.open_run) == whole
    assert Ledger.of(rebuild(PRINTER, mixed, day.open_run)) == whole
    return whole


def assert_restarts_change_nothing(day: Day, seed: int, hold_back_us: int, restarts: int) -> None:
    """Fact by fact, and taken up from what was stored at so many places."""
    random = Random(seed)
    stops = {random.randrange(len(day.steps)) for _ in range(restarts)}
    keeping = Keeping(PRINTER, hold_back_us)
    for place, (fact, current) in enumerate(day.steps):
        if place in stops:
            keeping.begin_again()
        keeping.take(fact, current)
    assert keeping.ledger() == replay(PRINTER, day.facts, day.open_run)
