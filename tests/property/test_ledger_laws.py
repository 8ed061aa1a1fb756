"""The promises and the conservation law of domain/README.md, on random days with random faults."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.facts.facts import Fact, ReleaseEnded, ReleaseStarted, instant_us
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import ReleaseKey, RowSegment
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, apply_update, rebuild, replay
from pagereeve.domain.projection.resume_point import ResumePoint
from tests.property.days import PRINTER, Day, make_day, shuffled
from tests.property.laws import projected

SEEDS = st.integers(0, 2**32)


def concerns_us(fact: Fact, known: list[Fact]) -> int:
    """The earliest instant whose projection a fact can change."""
    if isinstance(fact, ReleaseEnded):
        starts = [one.origin.at_us for one in known if isinstance(one, ReleaseStarted) and one.release == fact.release]
        return min(starts)
    return instant_us(fact)


def reopened(segments: dict[int, RowSegment], known: list[Fact], before_us: int, hold_back_us: int) -> PrinterProjector:
    resume_points = [
        ResumePoint.from_json(one.resume_point) for one in segments.values() if one.resume_point is not None
    ]
    resume_point = max((one for one in resume_points if one.at_us < before_us), key=lambda one: one.at_us, default=None)
    return PrinterProjector.reopened(PRINTER, Rules.of(known), resume_point, known, hold_back_us)


def incremental(day: Day, hold_back_us: int, *, stop: int | None = None) -> Ledger:
    """Fact by fact, as the daemon does it; ``stop`` is where it is restarted from what was stored."""
    projector = PrinterProjector(PRINTER, Rules(), hold_back_us=hold_back_us)
    segments: dict[int, RowSegment] = {}
    known: list[Fact] = []
    for index, (fact, current) in enumerate(day.steps):
        if index == stop:
            projector = reopened(segments, known, 2**62, hold_back_us)
        if fact is not None:
            known.append(fact)
            if projector.is_late(fact):
                projector = reopened(segments, known, concerns_us(fact, known), hold_back_us)
            projector.add(fact)
        projector.open_run(current)
        update = projector.advance()
        if update is not None:
            apply_update(segments, update)
    return Ledger.of(segments.values())


@given(SEEDS)
def test_every_page_the_meter_counted_is_accounted_for_exactly_once(seed: int) -> None:
    """Last cut - first reading = the sum over accounts, for each run; cuts found by trying every instant."""
    everything = projected(make_day(seed))
    lines = conserved(PRINTER, everything.runs.runs, everything.windows, everything.postings())
    assert len(lines) == len(everything.runs.runs)
    assert [line for line in lines if not line.ok] == []


@given(SEEDS)
def test_the_ledger_does_not_depend_on_order_or_repetition_of_arrival(seed: int) -> None:
    day = make_day(seed)
    assert replay(PRINTER, shuffled(day.facts, seed), day.open_run) == replay(PRINTER, day.facts, day.open_run)


@given(SEEDS, st.sampled_from([0, 5_000_000, 120_000_000]))
def test_fact_by_fact_comes_out_as_a_full_replay(seed: int, hold_back_us: int) -> None:
    day = make_day(seed)
    assert incremental(day, hold_back_us) == replay(PRINTER, day.facts, day.open_run)


@given(SEEDS)
def test_a_rebuild_in_steps_equals_a_replay_in_one_piece(seed: int) -> None:
    day = make_day(seed, 120)
    assert Ledger.of(rebuild(PRINTER, shuffled(day.facts, seed), day.open_run)) == replay(
        PRINTER, day.facts, day.open_run
    )


@given(SEEDS, st.integers(0, 10**6), st.sampled_from([0, 5_000_000, 120_000_000]))
def test_a_restart_between_any_two_facts_changes_nothing(seed: int, where: int, hold_back_us: int) -> None:
    day = make_day(seed)
    stopped = incremental(day, hold_back_us, stop=where % len(day.steps))
    assert stopped == replay(PRINTER, day.facts, day.open_run)


@given(SEEDS)
def test_shares_of_a_bracket_sum_to_the_whole(seed: int) -> None:
    day = make_day(seed)
    ledger = replay(PRINTER, day.facts, day.open_run)
    counted = {(charge.release, charge.channel): charge.counted for charge in ledger.charges}
    for stretch in ledger.stretches:
        if stretch.releases and stretch.grade not in {"broken", "blind"}:
            shares = [counted[key, stretch.channel] or 0 for key in stretch.releases]
            assert all(share >= 0 for share in shares)
            assert sum(shares) == stretch.counted


@given(SEEDS)
def test_nobody_is_charged_more_than_counted_or_released(seed: int) -> None:
    day = make_day(seed)
    for charge in replay(PRINTER, day.facts, day.open_run).charges:
        if charge.counted is not None and charge.released is not None:
            assert charge.charged <= min(charge.counted, charge.released)


@given(SEEDS)
def test_every_release_has_exactly_one_charge(seed: int) -> None:
    day = make_day(seed)
    started = [fact for fact in day.facts if isinstance(fact, ReleaseStarted)]
    keys = sorted(ReleaseKey(one.origin.source, one.release) for one in started)
    assert sorted(charge.release for charge in replay(PRINTER, day.facts, day.open_run).charges) == keys
