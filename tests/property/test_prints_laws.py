"""The laws where the meter counts prints and has no total, or finds one later."""

from __future__ import annotations

from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.brackets import runs
from pagereeve.domain.brackets.prints import PRINTS_ALONE
from pagereeve.domain.values.instants import SECOND_US
from tests.property.days import Day, make_day
from tests.property.laws import assert_accounted, assert_order_changes_nothing, assert_restarts_change_nothing

SEEDS = st.integers(0, 2**32)
HOLD_BACKS_US = st.sampled_from([0, 5_000_000, 120_000_000])


def a_day(seed: int, alone: Literal["prints", "sheets"] = "prints") -> Day:
    return make_day(seed, alone=alone, faults=seed % 4 != 0, channels=seed % 3 == 0, units=seed % 5 == 0)


@given(SEEDS)
@settings(max_examples=15)
def test_prints_alone_are_billed_and_every_one_of_them_is_accounted_for(seed: int) -> None:
    everything = assert_accounted(make_day(seed, alone="prints", faults=False, channels=seed % 3 == 0))
    billed = [one for one in everything.charges() if one.channel == PRINTS_ALONE]
    assert {one.release for one in billed} == {one.release.key for one in everything.windows}
    assert not any(one.channel in {"total", "prints"} for one in everything.charges())


@given(SEEDS, HOLD_BACKS_US, st.integers(0, 4))
@settings(max_examples=12)
def test_order_repetition_steps_and_restarts_make_no_difference(seed: int, hold_back_us: int, restarts: int) -> None:
    day = a_day(seed)
    assert_accounted(day)
    assert_order_changes_nothing(day, seed)
    assert_restarts_change_nothing(day, seed, hold_back_us, restarts)


@pytest.mark.plain
@given(SEEDS, HOLD_BACKS_US, st.integers(0, 4), st.sampled_from([1, 10, 30]), st.sampled_from(["prints", "sheets"]))
@settings(max_examples=15)
def test_a_total_that_is_gone_for_good_holds_nothing_up(
    seed: int, hold_back_us: int, restarts: int, gone_s: int, alone: Literal["prints", "sheets"]
) -> None:
    """A day is too short for the hour that it takes: here it takes seconds."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(runs, "GONE_US", gone_s * SECOND_US)
        day = a_day(seed, alone)
        assert_accounted(day)
        assert_order_changes_nothing(day, seed)
        assert_restarts_change_nothing(day, seed, hold_back_us, restarts)
