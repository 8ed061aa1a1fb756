"""Laws of figures that people read from panels: beside a meter they change nothing, without one they are the meter."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.brackets.panel import panel_plateaus
from pagereeve.domain.facts.facts import Fact, PolicySet, ReadingNoted
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Grade, is_meter
from pagereeve.domain.projection.projector import replay
from tests.histories import at, ended, started
from tests.noted_readings import noted, taken_back
from tests.property.days import PRINTER, Day, make_day, shuffled
from tests.property.keeping import Keeping
from tests.property.laws import assert_accounted, assert_order_changes_nothing, assert_restarts_change_nothing

SEEDS = st.integers(0, 2**32 - 1)
HOUR_S = 3_600
POLICY = PolicySet(PRINTER, at(-HOUR_S), Policy(panel_unit=Unit.IMPRESSIONS))


def panel_day(seed: int) -> Day:
    """Weeks of a printer without a meter: releases at once, figures when somebody walks by, some late, some wrong."""
    random = Random(seed)
    came: list[tuple[float, Fact]] = [(-HOUR_S, POLICY)]
    figure, now_s = random.randrange(100_000), 0.0
    for nth in range(random.randint(0, 40)):
        now_s += random.choice([5.0, 40.0, HOUR_S, 3 * HOUR_S, 80 * HOUR_S])
        if random.random() < 0.6:
            pages = random.randint(1, 9)
            figure += random.choice([pages, pages, pages, 0, pages + 2])
            ticket = Ticket(pages=pages, copies=1, sides="one-sided", number_up=1, separator_sheets=0)
            came.append((now_s, started(f"r-{nth}", now_s, random.choice(["anise", "basil"]), ticket)))
            if random.random() < 0.8:
                came.append((now_s + 8, ended(f"r-{nth}", now_s + 8)))
        else:
            figure += random.choice([0, 0, 3])
            shown = figure if random.random() < 0.85 else random.choice([figure // 10, figure + 90_000, 7])
            late_s = random.choice([0, 60, HOUR_S, 100 * HOUR_S])
            one = noted(PRINTER, f"n-{nth}", at(now_s), shown, said_us=at(now_s + late_s))
            came.append((now_s + late_s, one))
            if random.random() < 0.2:
                came.append((now_s + late_s + 30 * HOUR_S, taken_back(f"v-{nth}", one, said_us=at(now_s + late_s + 1))))
    facts = [replace(fact, printer=PRINTER) for _, fact in sorted(came, key=lambda one: one[0])]
    return Day(facts, None, [(fact, None) for fact in facts])


@given(SEEDS)
def test_panel_facts_in_any_order_give_the_same_rows(seed: int) -> None:
    assert_order_changes_nothing(panel_day(seed), seed)


@settings(max_examples=50)
@given(SEEDS, st.integers(0, 4), st.sampled_from([0, 120_000_000]))
def test_fact_by_fact_and_restarts_change_nothing(seed: int, restarts: int, hold_back_us: int) -> None:
    assert_restarts_change_nothing(panel_day(seed), seed, hold_back_us, restarts)


@given(SEEDS)
def test_every_page_between_two_figures_is_accounted_for_exactly_once(seed: int) -> None:
    day = panel_day(seed)
    if panel_plateaus([one for one in day.facts if isinstance(one, ReadingNoted)], Rules.of(day.facts)):
        everything = assert_accounted(day)
        for posting in everything.postings():
            assert sum(pages for _, pages in posting.legs) == 0
            assert sum(-pages for name, pages in posting.legs if is_meter(name)) >= 0


@given(SEEDS)
def test_no_release_of_a_panel_is_better_proven_than_wide(seed: int) -> None:
    ledger = replay(PRINTER, panel_day(seed).facts)
    assert {one.grade for one in ledger.charges} <= {None, Grade.WIDE, Grade.BROKEN, Grade.BLIND}
    assert not [one for one in ledger.findings if one.kind == "windows-waiting"]


@settings(max_examples=40)
@given(SEEDS, SEEDS)
def test_beside_a_meter_no_figure_changes_a_row(seed: int, other: int) -> None:
    random, day = Random(other), make_day(seed, 15)
    first_us, last_us = at(-HOUR_S), at(12 * HOUR_S)
    instants = [random.randrange(first_us, last_us) for _ in range(5)]
    figures = [noted(PRINTER, f"n-{nth}", at_us, random.randrange(10**6)) for nth, at_us in enumerate(instants)]
    more = [*figures, taken_back("v-1", figures[0])]
    whole = replay(PRINTER, day.facts, day.open_run)
    assert replay(PRINTER, shuffled([*day.facts, *more], seed), day.open_run) == whole
    keeping = Keeping(PRINTER)
    for place, (fact, current) in enumerate(day.steps):
        keeping.take(fact, current)
        if place % 9 == 0 and more:
            keeping.take(more.pop(), current)
    for fact in more:
        keeping.take(fact, day.open_run)
    assert keeping.ledger() == whole
