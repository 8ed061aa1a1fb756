"""The laws where what is known of a counter's unit comes and goes."""

from __future__ import annotations

from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.charging.postings import UNIT_BELOW_NEED
from pagereeve.domain.projection.projector import replay
from pagereeve.domain.values.instants import SECOND_US
from tests.property.days import PRINTER, Day, make_day
from tests.property.keeping import Keeping
from tests.property.laws import assert_accounted, assert_order_changes_nothing, assert_restarts_change_nothing

SEEDS = st.integers(0, 2**32)
HOLD_BACKS_US = st.sampled_from([0, 5 * SECOND_US, 120 * SECOND_US])


def a_day(seed: int) -> Day:
    return make_day(seed, life=True, faults=seed % 4 != 0, units=True)


@given(SEEDS)
@settings(max_examples=25)
def test_every_page_is_accounted_for_and_nobody_pays_for_what_the_unit_does_not_prove(seed: int) -> None:
    everything = assert_accounted(a_day(seed))
    below = [one for one in everything.charges() if UNIT_BELOW_NEED in one.reasons]
    assert not any(one.charged for one in below)


@given(SEEDS, HOLD_BACKS_US, st.integers(0, 4))
@settings(max_examples=15)
def test_order_repetition_steps_and_restarts_make_no_difference(seed: int, hold_back_us: int, restarts: int) -> None:
    assert_order_changes_nothing(a_day(seed), seed)
    assert_restarts_change_nothing(a_day(seed), seed, hold_back_us, restarts)


def test_a_restart_inside_a_level_whose_unit_became_known() -> None:
    day = make_day(2133151509, 40, faults=True, channels=True, modulus=10**6, short=True, units=True)
    random, keeping = Random(2146174834), Keeping(PRINTER, 5_000_000)
    for fact, current in day.steps:
        if random.random() < 0.2:
            keeping.begin_again()
        keeping.take(fact, current)
    assert keeping.ledger() == replay(PRINTER, day.facts, day.open_run)
