"""Copies that the meter counts apart are nobody's, however brackets are split: on random days with many of them."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.ledger import OTHER_FUNCTION
from pagereeve.domain.projection.projector import Ledger, replay
from tests.property.days import PRINTER, Day, make_day
from tests.property.laws import assert_accounted, assert_order_changes_nothing, assert_restarts_change_nothing
from tests.property.test_charge_laws import off
from tests.property.test_ledger_laws import SEEDS, incremental

HOLD_BACKS_US = st.sampled_from([0, 5_000_000, 120_000_000])


def ledger_of(day: Day) -> Ledger:
    return replay(PRINTER, day.facts, day.open_run)


@given(SEEDS)
def test_no_charge_is_more_than_what_came_out(seed: int) -> None:
    """Of a bracket that is off, or a release's own: where no job prints more than it says, whatever is copied."""
    day = make_day(seed, 60, faults=False, short=True, apart=True)
    ledger = ledger_of(day)
    total = [one for one in ledger.stretches if one.channel == "total"]
    surely = {charge.release for stretch, charges in off(ledger) for charge in charges if stretch.channel == "total"}
    surely |= {one.releases[0] for one in total if len(one.releases) == 1 and one.grade == "tight"}
    for charge in ledger.charges:
        if charge.channel == "total" and charge.release in surely:
            assert charge.charged <= day.printed[charge.release.release]


@given(SEEDS)
def test_the_copies_of_the_total_are_those_that_their_own_counter_shows(seed: int) -> None:
    """Of a day without faults: no page is another function's that its counter does not show."""
    ledger = ledger_of(make_day(seed, 60, faults=False, apart=True))
    received = {"total": 0, "copies": 0}
    for posting in ledger.postings:
        if posting.channel in received:
            received[posting.channel] += sum(pages for name, pages in posting.legs if name == OTHER_FUNCTION)
    assert received["total"] <= received["copies"]
    for stretch in ledger.stretches:
        if stretch.channel == "total" and "other-function" in stretch.reasons and stretch.expected is not None:
            assert stretch.expected.least > 0


@given(SEEDS)
def test_copies_change_nothing_in_conservation_order_and_repetition(seed: int) -> None:
    day = make_day(seed, 60, apart=True, states=True)
    assert_accounted(day)
    assert_order_changes_nothing(day, seed)


@given(SEEDS, st.integers(0, 10**6), st.sampled_from([0, 5_000_000, 120_000_000]))
def test_copies_fact_by_fact_and_restarted_anywhere(seed: int, where: int, hold_back_us: int) -> None:
    day = make_day(seed, 60, apart=True, states=True)
    assert incremental(day, hold_back_us, stop=where % len(day.steps)) == ledger_of(day)


@given(SEEDS, HOLD_BACKS_US, st.integers(0, 4))
@settings(max_examples=12)
def test_copies_of_a_meter_whose_other_channels_come_go_and_fall(seed: int, hold_back_us: int, restarts: int) -> None:
    day = make_day(seed, 40, faults=seed % 4 != 0, apart=True, channels=True, sides=seed % 3 != 0)
    assert_accounted(day)
    assert_order_changes_nothing(day, seed)
    assert_restarts_change_nothing(day, seed, hold_back_us, restarts)
