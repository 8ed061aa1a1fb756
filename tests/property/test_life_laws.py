"""The same laws on days that real life has: late, again, reused, decided, maintained, biased."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.projection.projector import Ledger, replay
from pagereeve.domain.values.instants import SECOND_US
from tests.property.days import PRINTER, Day, make_day
from tests.property.keeping import Keeping
from tests.property.laws import assert_accounted, assert_order_changes_nothing, assert_restarts_change_nothing
from tests.unit.domain.story import POLICY, Story, printed

SEEDS = st.integers(0, 2**32)
HOLD_BACKS_US = st.sampled_from([0, 5 * SECOND_US, 120 * SECOND_US])


def a_day(seed: int) -> Day:
    return make_day(seed, life=True, faults=seed % 4 != 0, channels=seed % 3 == 0, apart=seed % 3 == 1)


def whole(day: Day) -> Ledger:
    return replay(PRINTER, day.facts, day.open_run)


@given(SEEDS)
@settings(max_examples=60)
def test_every_page_is_accounted_for_exactly_once(seed: int) -> None:
    assert_accounted(a_day(seed))


@given(SEEDS)
@settings(max_examples=60)
def test_order_and_repetition_make_no_difference(seed: int) -> None:
    assert_order_changes_nothing(a_day(seed), seed)


@given(SEEDS, HOLD_BACKS_US, st.integers(0, 8))
@settings(max_examples=60)
def test_fact_by_fact_with_restarts_equals_a_replay(seed: int, hold_back_us: int, restarts: int) -> None:
    assert_restarts_change_nothing(a_day(seed), seed, hold_back_us, restarts)


@given(SEEDS)
@settings(max_examples=40)
def test_no_two_findings_of_a_day_share_an_id(seed: int) -> None:
    found = [one.id for one in whole(a_day(seed)).findings]
    assert len(set(found)) == len(found)


@given(st.lists(st.sampled_from([0, 0, 0, 1, 1, -1, 2, -4, None]), min_size=5, max_size=40), HOLD_BACKS_US)
@settings(max_examples=30, deadline=None)
def test_what_shows_over_many_brackets_comes_out_the_same_in_steps(
    differences: list[int | None], hold_back_us: int
) -> None:
    """None is another device: the run ends, and all that was remembered with it."""
    story, count = Story(type(POLICY)(tolerance_pages=1, settle_us=10 * SECOND_US)), 1_000
    for nth, difference in enumerate(differences):
        if difference is None:
            story.serial, count = f"K{nth + 2}", 50 * nth
            continue
        printed(story, 100 * nth, count, count + max(0, 4 + difference), pages=4, separator_sheets=None)
        count += max(0, 4 + difference)
    keeping = Keeping(story.printer, hold_back_us)
    for fact, current in story.steps:
        keeping.take(fact, current)
    assert keeping.ledger() == replay(story.printer, story.facts, story.current)
