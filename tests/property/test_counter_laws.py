"""The laws of test_ledger_laws.py for a meter whose counters break one by one, and whose answers are odd at times."""

from __future__ import annotations

from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.projection.projector import Ledger, rebuild, replay
from tests.property.days import PRINTER, Day, make_day, shuffled
from tests.property.keeping import Keeping
from tests.property.test_channel_laws import HOLD_BACKS_US, SEEDS, assert_conserved

DAYS = st.builds(
    lambda seed, length, faults: make_day(seed, length, faults=faults, channels=True, sides=True),
    seed=SEEDS,
    length=st.sampled_from([10, 40]),
    faults=st.booleans(),
)


def assert_lawful(day: Day, hold_back_us: int, seed: int, *, restarts: bool) -> None:
    """It adds up, in any order, however often and in however many steps its facts come, restarted anywhere."""
    ledger = replay(PRINTER, day.facts, day.open_run)
    assert_conserved(day.facts, day.open_run, ledger)
    assert replay(PRINTER, shuffled(day.facts, seed), day.open_run) == ledger
    assert Ledger.of(rebuild(PRINTER, day.facts, day.open_run)) == ledger
    random = Random(seed)
    keeping = Keeping(PRINTER, hold_back_us)
    for fact, current in day.steps:
        if restarts and random.random() < 0.2:
            keeping.begin_again()
        keeping.take(fact, current)
    assert keeping.ledger() == ledger


@settings(max_examples=30)
@given(DAYS, HOLD_BACKS_US, SEEDS)
def test_the_laws_hold_for_each_counter(day: Day, hold_back_us: int, seed: int) -> None:
    assert_lawful(day, hold_back_us, seed, restarts=True)
