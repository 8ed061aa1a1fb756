"""The same laws on days that real life has: late, again, reused, decided, maintained, biased."""

from __future__ import annotations

from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, rebuild, replay
from pagereeve.domain.values.instants import SECOND_US
from tests.property.days import PRINTER, Day, make_day, shuffled
from tests.property.keeping import Keeping
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
    day = a_day(seed)
    projector = PrinterProjector(PRINTER, Rules(), hold_back_us=2**62)
    for fact in day.facts:
        projector.add(fact)
    projector.open_run(day.open_run)
    everything = projector.projected()
    lines = conserved(PRINTER, everything.runs.runs, everything.windows, everything.postings())
    assert lines
    assert [line for line in lines if not line.ok] == []


@given(SEEDS)
@settings(max_examples=60)
def test_order_and_repetition_make_no_difference(seed: int) -> None:
    day = a_day(seed)
    mixed = shuffled(day.facts, seed)
    assert replay(PRINTER, mixed, day.open_run) == whole(day)
    assert Ledger.of(rebuild(PRINTER, mixed, day.open_run)) == whole(day)


@given(SEEDS, HOLD_BACKS_US, st.integers(0, 8))
@settings(max_examples=60)
def test_fact_by_fact_with_restarts_equals_a_replay(seed: int, hold_back_us: int, restarts: int) -> None:
    day, random = a_day(seed), Random(seed)
    stops = {random.randrange(len(day.steps)) for _ in range(restarts)}
    keeping = Keeping(PRINTER, hold_back_us)
    for place, (fact, current) in enumerate(day.steps):
        if place in stops:
            keeping.begin_again()
        keeping.take(fact, current)
    assert keeping.ledger() == whole(day)


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
