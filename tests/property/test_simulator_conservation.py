"""Whatever happens to a printer: what its meter shows is what was marked, less what power cuts took back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.simulator.errors import PrinterFull, PrinterOff
from pagereeve.simulator.printer.model import PrinterSpec, PrintJob
from pagereeve.simulator.printer.print_engine import PrintEngine

S = SECOND_US
QUIET_US = 100_000 * S

specs = st.builds(
    PrinterSpec,
    name=st.just("p"),
    start_count=st.integers(0, 10_000),
    unit=st.sampled_from(["impressions", "sheets"]),
    impressions_per_minute=st.integers(10, 2_000),
    lag_us=st.integers(0, 5 * S),
    counts_at=st.sampled_from(["feed", "exit"]),
    counts_blank_backs=st.booleans(),
    save_every=st.integers(1, 20),
    at_power_cut=st.sampled_from(["lose-jobs", "resume-jobs"]),
    start_up_page=st.booleans(),
    sleep_after_us=st.none() | st.integers(0, 30 * S),
    reprints_jammed_sheet=st.booleans(),
    jitter_permille=st.integers(0, 200),
)
jobs = st.builds(
    PrintJob,
    name=st.sampled_from(["a", "b", "c"]),
    pages=st.integers(0, 12),
    copies=st.integers(1, 3),
    sides=st.sampled_from(["one-sided", "two-sided-long-edge"]),
    number_up=st.sampled_from([1, 2, 4]),
    separator_sheets=st.integers(0, 2),
    size_bytes=st.integers(0, 5_000),
)
Happening = Callable[[PrintEngine, int], object]
happenings: st.SearchStrategy[Happening] = st.one_of(
    jobs.map(lambda job: lambda engine, at_us: engine.submit(job, at_us)),
    st.integers(1, 5).map(lambda pages: lambda engine, at_us: engine.copy(pages, at_us)),
    st.just(PrintEngine.jam),
    st.just(PrintEngine.clear),
    st.integers(0, 6).map(lambda left: lambda engine, at_us: engine.paper_out(at_us, left)),
    st.just(PrintEngine.refill),
    st.sampled_from(["a", "b"]).map(lambda name: lambda engine, at_us: engine.cancel(name, at_us)),
    st.just(PrintEngine.false_zero),
    st.just(PrintEngine.show),
    st.just(PrintEngine.hears),
)
cuts: st.SearchStrategy[Happening] = st.one_of(
    st.integers(0, 20).map(lambda off_s: lambda engine, at_us: engine.power_cut(at_us, off_s * S)),
    st.integers(0, 99_999).map(lambda count: lambda engine, at_us: engine.replace(at_us, f"SIM-{count}", count)),
)


def lived(spec: PrinterSpec, seed: int, story: list[tuple[int, Happening]]) -> PrintEngine:
    engine, at_us = PrintEngine(spec, seed), 0
    for after_us, happening in story:
        at_us += after_us
        try:
            happening(engine, at_us)
        except (PrinterOff, PrinterFull):
            continue
    at_us += 60 * S
    engine.clear(at_us)
    engine.refill(at_us)
    engine.advance(at_us + QUIET_US)
    return engine


@given(specs, st.integers(0, 9), st.lists(st.tuples(st.integers(0, 20 * S), happenings), max_size=25))
def test_without_power_cuts_the_meter_moves_by_exactly_what_was_marked(
    spec: PrinterSpec, seed: int, story: list[tuple[int, Happening]]
) -> None:
    engine = lived(spec, seed, story)
    assert engine.meter(0) - spec.start_count == sum(mark.steps for mark in engine.truth) == engine.total().marked
    assert not engine.busy(0)


@given(specs, st.integers(0, 9), st.lists(st.tuples(st.integers(0, 20 * S), happenings | cuts), max_size=25))
def test_with_power_cuts_and_exchanges_each_life_accounts_for_its_own(
    spec: PrinterSpec, seed: int, story: list[tuple[int, Happening]]
) -> None:
    engine = lived(spec, seed, story)
    steps: Counter[int] = Counter()
    for mark in engine.truth:
        steps[mark.life] += mark.steps
    last = len(engine.lives) - 1
    life = engine.lives[last]
    assert engine.meter(0) == life.start_count + steps[last] - life.lost
    assert engine.total().marked == steps.total()


@given(specs, st.integers(0, 9), st.lists(st.tuples(st.integers(0, 20 * S), happenings | cuts), max_size=15))
def test_the_same_seed_and_story_give_the_same_truth_however_often_one_looks(
    spec: PrinterSpec, seed: int, story: list[tuple[int, Happening]]
) -> None:
    watched = [(after_us, happening) for after_us, happening in story]
    looked: list[tuple[int, Happening]] = []
    for after_us, happening in watched:
        looked += [(after_us // 2, PrintEngine.meter), (after_us - after_us // 2, happening)]
    assert lived(spec, seed, story).truth == lived(spec, seed, looked).truth
