"""The laws of test_ledger_laws.py for meters of several channels, for wraps, and for facts that come late."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.facts.facts import Fact, PlateauRead, PolicySet, ReadFailed
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, rebuild, replay
from tests.property.days import PRINTER, Day, make_day, shuffled
from tests.property.keeping import Keeping

SEEDS = st.integers(0, 2**32)


@dataclass(frozen=True)
class Plan:
    """What a day is made of; the day itself is too long to be shown."""

    seed: int
    length: int
    faults: bool
    channels: bool
    modulus: int

    def make(self) -> Day:
        return make_day(self.seed, self.length, faults=self.faults, channels=self.channels, modulus=self.modulus)


PLANS = st.builds(
    Plan,
    seed=SEEDS,
    length=st.sampled_from([10, 40]),
    faults=st.booleans(),
    channels=st.booleans(),
    modulus=st.sampled_from([2**32, 10**6, 2**24]),
)
HOLD_BACKS_US = st.sampled_from([0, 5_000_000, 120_000_000])


def assert_conserved(facts: list[Fact], current: PlateauRead | ReadFailed | None, ledger: Ledger) -> None:
    projector = PrinterProjector(PRINTER, Rules.of(facts))
    for fact in facts:
        projector.add(fact)
    projector.open_run(current)
    whole = projector.projected()
    lines = conserved(PRINTER, whole.runs.runs, whole.windows, ledger.postings)
    assert [line for line in lines if not line.ok] == []


@given(PLANS)
def test_every_channel_of_every_run_adds_up(plan: Plan) -> None:
    day = plan.make()
    assert_conserved(day.facts, day.open_run, replay(PRINTER, day.facts, day.open_run))


@given(PLANS, SEEDS)
def test_order_and_repetition_change_nothing(plan: Plan, seed: int) -> None:
    day = plan.make()
    assert replay(PRINTER, shuffled(day.facts, seed), day.open_run) == replay(PRINTER, day.facts, day.open_run)


@given(PLANS)
def test_rebuild_equals_replay(plan: Plan) -> None:
    day = plan.make()
    assert Ledger.of(rebuild(PRINTER, day.facts, day.open_run)) == replay(PRINTER, day.facts, day.open_run)


@given(PLANS, HOLD_BACKS_US)
def test_fact_by_fact_equals_replay(plan: Plan, hold_back_us: int) -> None:
    day = plan.make()
    keeping = Keeping(PRINTER, hold_back_us)
    for fact, current in day.steps:
        keeping.take(fact, current)
    assert keeping.ledger() == replay(PRINTER, day.facts, day.open_run)


@given(PLANS, HOLD_BACKS_US, SEEDS)
def test_facts_that_come_late_in_any_measure_change_nothing(plan: Plan, hold_back_us: int, seed: int) -> None:
    """Events are kept back by some steps, now and then till the very end; readings are the daemon's own, and prompt."""
    day = plan.make()
    random = Random(seed)
    keeping = Keeping(PRINTER, hold_back_us)
    held: list[tuple[int, Fact]] = []
    for index, (fact, current) in enumerate(day.steps):
        late = fact is not None and not isinstance(fact, PlateauRead | ReadFailed | PolicySet) and random.random() < 0.5
        if late and fact is not None:
            held.append((index + random.choice([1, 3, 10, 10**6]), fact))
        keeping.take(None if late else fact, current)
        due = [one for at, one in held if at <= index]
        held = [(at, one) for at, one in held if at > index]
        for one in random.sample(due, len(due)):
            keeping.take(one, current)
    for _, one in random.sample(held, len(held)):
        keeping.take(one, day.open_run)
    assert keeping.ledger() == replay(PRINTER, day.facts, day.open_run)


@given(PLANS, HOLD_BACKS_US, SEEDS)
def test_any_number_of_restarts_changes_nothing(plan: Plan, hold_back_us: int, seed: int) -> None:
    restarted_anywhere(plan, hold_back_us, seed)


def test_restarts_behind_a_bracket_that_broke_in_every_channel() -> None:
    restarted_anywhere(Plan(137228264, 40, faults=True, channels=True, modulus=2**32), 120_000_000, 0)


def restarted_anywhere(plan: Plan, hold_back_us: int, seed: int) -> None:
    day = plan.make()
    random = Random(seed)
    keeping = Keeping(PRINTER, hold_back_us)
    for fact, current in day.steps:
        if random.random() < 0.2:
            keeping.begin_again()
        keeping.take(fact, current)
    assert keeping.ledger() == replay(PRINTER, day.facts, day.open_run)
