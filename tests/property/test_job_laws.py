"""What a printer says of its jobs changes no law: order, increments, restarts, conservation; and no bound misses the
truth, as long as a job counts no paper that did not pass the meter.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import get_args

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.brackets.job_bounds import JobCount, job_bounds
from pagereeve.domain.facts.facts import PlateauRead, ReleaseStarted
from pagereeve.domain.facts.jobs import ENDED, JobCounted, JobCounts, JobState, Within
from pagereeve.domain.facts.reading import Plateau
from pagereeve.domain.projection.projector import Ledger, rebuild, replay
from pagereeve.domain.values.instants import SECOND_US
from tests.property.days import PRINTER, Day, make_day, shuffled
from tests.property.laws import assert_accounted
from tests.property.test_ledger_laws import SEEDS, incremental

# A step of these costs as much as in the laws without jobs, which look longer.
FEWER = settings(max_examples=max(30, settings().max_examples // 5))
STATES: tuple[JobState, ...] = get_args(JobState)


def with_jobs(seed: int, length: int = 40) -> Day:
    """A day whose printer speaks of its jobs: the truth on most days, and on others nearly anything."""
    day, speaker = make_day(seed, length, short=seed % 2 == 0), _Speaker(Random(seed))
    told = Day(open_run=day.open_run, printed=day.printed, runs=day.runs)
    for step, current in day.steps:
        fact = speaker.numbered(step, day) if isinstance(step, ReleaseStarted) else step
        said = speaker.said(current.plateau) if isinstance(current, PlateauRead) else []
        told.facts += [one for one in (fact, *said) if one is not None]
        told.steps += [(fact, current), *((one, current) for one in said)]
    return told


class _Speaker:
    """``honest``: spans and counts are true, and so is the order of numbers. ``behind_us``: how long after a reading
    the printer is asked for its jobs; 0 is together with it.
    """

    def __init__(self, random: Random) -> None:
        self.random = random
        self.honest = random.random() < 0.6
        self.numbers = random.choice([0.0, 0.7, 1.0])
        self.behind_us = random.choice([0, 100_000, 4_000_000])
        self.jobs: list[JobCounted] = []
        self.made: list[int] = []

    def numbered(self, started: ReleaseStarted, day: Day) -> ReleaseStarted:
        number, at_us = len(self.jobs) + 1, started.origin.at_us
        made = max(0, day.printed.get(started.release, 0))
        # As the day's printer works: the first page after 2 s, 0.7 s a page.
        began, over_us = Within(at_us, at_us + 2 * SECOND_US), at_us + 2 * SECOND_US + made * 700_000
        if not self.honest:
            began = Within(at_us - self.random.choice([-1, 0, 1, 30]) * SECOND_US, at_us + 40 * SECOND_US)
        ended = Within(over_us, over_us + SECOND_US // 2)
        self.jobs.append(JobCounted(PRINTER, "snmp", number, at_us, at_us, "processing", began=began, ended=ended))
        self.made.append(made)
        return replace(started, printer_job=number if self.random.random() < self.numbers else None)

    def _past_the_queue(self, plateau: Plateau) -> None:
        """A job that no release explains."""
        at_us = plateau.last_sent_us
        began = Within(at_us - self.random.choice([0, 5, 60]) * SECOND_US, at_us + SECOND_US)
        ended = Within(at_us + 3 * SECOND_US, at_us + 4 * SECOND_US)
        number = len(self.jobs) + 1
        self.jobs.append(JobCounted(PRINTER, "snmp", number, at_us, at_us, "processing", began=began, ended=ended))
        self.made.append(3)

    def said(self, plateau: Plateau) -> list[JobCounted]:
        """With a reading of the meter: of one of the last jobs what is so by then."""
        if self.random.random() < 0.1:
            self._past_the_queue(plateau)
        if not self.jobs or self.random.random() < 0.4:
            return []
        said = [self._one(place, plateau) for place in range(max(0, len(self.jobs) - 3), len(self.jobs))]
        return said if self.honest else self.random.sample(said, 1)

    def _one(self, place: int, plateau: Plateau) -> JobCounted:
        known, made = self.jobs[place], self.made[place]
        sent_us, received_us = plateau.last_sent_us, plateau.last_received_us
        if self.behind_us:
            sent_us, received_us = received_us + self.behind_us, received_us + 2 * self.behind_us
        over = known.ended is not None and known.ended.until_us <= sent_us
        state: JobState = "completed" if over else "processing"
        counted: int | None = made if over else min(made, max(0, made - 2))
        if not self.honest:
            state = self.random.choice(["completed", "completed", *STATES])
            counted = self.random.choice([made, made, max(0, made + self.random.randrange(-2, 4)), None])
            received_us += self.random.choice([0, 50_000])
        return replace(
            known,
            sent_us=sent_us,
            received_us=received_us,
            state=state,
            counts=JobCounts(counted),
            began=known.began if self.honest or self.random.random() < 0.95 else None,
            ended=known.ended if state in ENDED else None,
            door="snmp" if self.honest else self.random.choice(["snmp", "snmp", "ipp"]),
        )


@FEWER
@given(SEEDS)
def test_order_and_repetition_of_what_jobs_say_change_nothing(seed: int) -> None:
    day = with_jobs(seed)
    whole = replay(PRINTER, day.facts, day.open_run)
    assert replay(PRINTER, shuffled(day.facts, seed), day.open_run) == whole
    assert Ledger.of(rebuild(PRINTER, shuffled(day.facts, seed), day.open_run)) == whole


@FEWER
@given(SEEDS, st.integers(0, 10**6), st.sampled_from([0, 5_000_000, 120_000_000]))
def test_fact_by_fact_with_a_restart_anywhere_comes_out_as_a_full_replay(
    seed: int, where: int, hold_back_us: int
) -> None:
    day = with_jobs(seed)
    stopped = incremental(day, hold_back_us, stop=where % len(day.steps))
    assert stopped == replay(PRINTER, day.facts, day.open_run)


@FEWER
@given(SEEDS)
def test_every_page_is_accounted_for_once_and_nobody_pays_more_than_counted_or_released(seed: int) -> None:
    day = with_jobs(seed, 80)
    everything = assert_accounted(day)
    counted = {(one.release, one.channel): one.counted for one in everything.charges()}
    for one in everything.charges():
        if one.counted is not None and one.released is not None:
            assert one.charged <= min(one.counted, one.released)
            assert one.charged + one.unproven <= one.released
    for stretch in everything.stretches():
        if stretch.releases and stretch.grade not in {"broken", "blind"}:
            assert sum(counted[key, stretch.channel] or 0 for key in stretch.releases) == stretch.counted


@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 3), st.booleans(), st.booleans()), min_size=1, max_size=6),
    st.integers(0, 6),
    st.none() | st.integers(0, 3),
)
def test_no_bound_misses_the_truth(jobs: list[tuple[int, int, bool, bool]], copied: int, slack: int | None) -> None:
    """Pages that came out, of which a job counts all but a few; jobs that nobody saw, and copies beside them."""
    seen = [(pages, max(0, pages - hidden), over) for pages, hidden, is_seen, over in jobs if is_seen]
    counted = sum(pages for pages, *_ in jobs) + copied
    known = [JobCount(made, over) for _, made, over in seen]
    right = slack is None or all(pages - made <= slack for pages, made, over in seen if over)
    bounds = job_bounds(counted, known, slack if right else None)
    assert bounds is not None
    assert all(bound.holds(pages) for bound, (pages, *_) in zip(bounds, seen, strict=True))
    if len(seen) == len(jobs) and not copied:
        whole = job_bounds(counted, known, slack if right else None, whole=True)
        assert whole is not None
        assert all(bound.holds(pages) for bound, (pages, *_) in zip(whole, seen, strict=True))
