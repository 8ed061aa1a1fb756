"""Nobody is charged by a guess, and no rest proves more than it can: on random days, with states that stick."""

from __future__ import annotations

from collections.abc import Iterator

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.brackets.windows import Window
from pagereeve.domain.ledger import Charge, Stretch
from pagereeve.domain.projection.projector import Ledger, replay
from tests.property.days import PRINTER, Day, make_day
from tests.property.laws import assert_accounted, assert_order_changes_nothing, projected
from tests.property.test_ledger_laws import SEEDS, incremental

SHARED = {"shared", "wide"}


def ledger_of(day: Day) -> Ledger:
    return replay(PRINTER, day.facts, day.open_run)


def off(ledger: Ledger) -> Iterator[tuple[Stretch, list[Charge]]]:
    """Shared brackets whose sum does not fit, and their charges."""
    for stretch in ledger.stretches:
        fits = stretch.expected is not None and stretch.expected.holds(stretch.counted)
        if len(stretch.releases) > 1 and stretch.grade in SHARED and not fits:
            keys = set(stretch.releases)
            yield stretch, [one for one in ledger.charges if one.release in keys and one.channel == stretch.channel]


@given(SEEDS)
def test_no_charge_of_a_bracket_that_is_off_is_more_than_what_came_out(seed: int) -> None:
    """Where nobody uses the machine by hand, and no job prints more than it says."""
    day = make_day(seed, 60, faults=False, short=True)
    for _, charges in off(ledger_of(day)):
        for charge in charges:
            assert charge.charged <= day.printed[charge.release.release]


@given(SEEDS, st.booleans())
def test_a_bracket_that_is_off_charges_no_more_than_it_counted_and_keeps_each_claim_whole(
    seed: int, faults: bool
) -> None:
    for stretch, charges in off(ledger_of(make_day(seed, 60, faults=faults, states=True))):
        assert sum(one.charged for one in charges) <= stretch.counted
        for one in charges:
            claim = one.released or 0
            given_up = {"cancelled", "aborted"} & set(one.reasons)
            assert one.charged + one.unproven <= claim if given_up else one.charged + one.unproven == claim
            assert "provable-minimum" in one.reasons
            assert "copies-not-counted-apart" in one.reasons


@given(SEEDS)
def test_nobody_pays_for_what_was_counted_before_their_start(seed: int) -> None:
    day = make_day(seed, 60, faults=False, states=True)
    everything = projected(day)
    windows = {window.release.key: window for window in everything.windows}
    for stretch, charges in off(ledger_of(day)):
        for charge in charges:
            before = _seen_before(day, windows[charge.release], stretch)
            assert charge.charged <= (stretch.after or 0) - before


def _seen_before(day: Day, window: Window, stretch: Stretch) -> int:
    """The count of the last reading that was in hand before the window opened, or else of the bracket's opening."""
    seen = stretch.before or 0
    for plateau in sorted((one for one in _plateaus(day)), key=lambda one: one[0]):
        if plateau[0] <= window.opens_us:
            seen = max(seen, plateau[1])
    return seen


def _plateaus(day: Day) -> Iterator[tuple[int, int]]:
    for fact in [*day.facts, day.open_run]:
        plateau = getattr(fact, "plateau", None)
        if plateau is not None:
            yield plateau.first_received_us, plateau.sight.count("total").value


@given(SEEDS, st.booleans())
def test_no_release_lies_in_a_bracket_that_closes_before_it_starts(seed: int, faults: bool) -> None:
    _closes_after_it_starts(make_day(seed, 60, faults=faults, states=True))


def test_no_release_lies_in_an_earlier_bracket_on_a_day_on_which_it_once_did() -> None:
    _closes_after_it_starts(make_day(2430131, 60, faults=False))


def _closes_after_it_starts(day: Day) -> None:
    ledger = ledger_of(day)
    starts = {charge.release: charge.started_us for charge in ledger.charges}
    for stretch in ledger.stretches:
        if stretch.grade not in {"broken", "blind"}:
            assert all(starts[key] < stretch.closes_us for key in stretch.releases)


@given(SEEDS)
def test_states_and_lights_change_nothing_in_conservation_order_and_repetition(seed: int) -> None:
    day = make_day(seed, 60, states=True)
    assert_accounted(day)
    assert_order_changes_nothing(day, seed)


@given(SEEDS, st.integers(0, 10**6), st.sampled_from([0, 5_000_000, 120_000_000]))
def test_states_and_lights_fact_by_fact_and_restarted_anywhere(seed: int, where: int, hold_back_us: int) -> None:
    day = make_day(seed, 60, states=True)
    assert incremental(day, hold_back_us, stop=where % len(day.steps)) == ledger_of(day)
