"""The working day: its script without sockets, and the whole of it on them."""

from __future__ import annotations

import asyncio
from collections import Counter

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.findings.finding import Kind
from pagereeve.simulator.college.college import College
from pagereeve.simulator.college.day import CLOSING_S, a_working_day
from pagereeve.simulator.errors import BadScenario

KINDS = frozenset(Kind.__args__)  # type: ignore[attr-defined] # a Literal's members


HASTE = 4


class QuickClock(SystemClock):
    """A clock that goes ``HASTE`` times as fast, so that a day of 40 s takes ten."""

    def now_us(self) -> int:
        return super().now_us() * HASTE

    def monotonic_us(self) -> int:
        return super().monotonic_us() * HASTE

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / HASTE)


async def test_the_script_is_the_same_for_the_same_seed_and_plants_at_most_one_fault_a_printer() -> None:
    college = College(5, SystemClock())
    await college.start()
    scripts = [[(step.at_s, step.what) for step in a_working_day(college, seed).steps] for seed in (5, 5, 6)]
    planted = college.planted[:10]
    await college.stop()
    assert scripts[0] == scripts[1] != scripts[2]
    releases = sum("badges for" in what or "releases" in what for _, what in scripts[0])
    assert 40 <= releases <= 60
    assert max(at_s for at_s, _ in scripts[0]) <= 50 - CLOSING_S + 3
    assert max(Counter(one.printer for one in planted).values()) == 1
    kinds = {kind for one in planted for kind, _ in one.expected + one.allowed}
    assert kinds <= KINDS


async def test_a_day_without_rest_is_refused() -> None:
    college = College(5, SystemClock())
    await college.start()
    with pytest.raises(BadScenario, match="40"):
        a_working_day(college, 1, length_s=10)
    await college.stop()


async def test_a_whole_day_leaves_everything_at_rest_and_the_meters_account_for_the_truth() -> None:
    """The demo's day without the daemon."""
    clock = QuickClock()
    college = College(11, clock)
    await college.start()
    try:
        day = a_working_day(college, 11, length_s=40)
        await day.run(clock)
        await clock.sleep(2.5)
        assert college.resting()
        truth, now_us = college.truth(), clock.now_us()
        releases = {release.name: release for release in college.server.releases}
        for name in college.printers:
            engine = college.printer(name).engine
            last = len(engine.lives) - 1
            life = engine.lives[last]
            steps = sum(mark.steps for mark in engine.truth if mark.life == last)
            assert engine.meter(now_us) == life.start_count + steps - life.lost
            assert set(truth[name].by_job) <= set(releases)
        assert set(college.server.outcomes.values()) == {"completed"}
        assert truth["science-prep"].by_cause["past-queue"] == 4
        assert truth["registry"].lost == 4
        off = {
            name: (truth[release.held.printer].by_job[name], released)
            for name, release in releases.items()
            if truth[release.held.printer].by_job[name]
            != (released := -(-release.held.pages // release.held.number_up) * release.held.copies)
        }
        assert sorted(off.values()) == [(5, 6), (27, 9)]
    finally:
        await college.stop()
