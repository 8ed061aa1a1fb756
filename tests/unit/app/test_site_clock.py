"""The clock of the site: a line that neither a step nor a slew of the machine's wall clock can break."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from pagereeve.app.clocks import SystemClock
from pagereeve.app.site_clock import LOOK_LONGEST_US, SLEW_MAX_PPM, SiteClock, last_dated_us
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import SteadyClock, boot_time_us
from pagereeve.store.memory.journal import MemoryJournal
from tests.journal_samples import failed, read

NOON_US = 1_764_072_000 * SECOND_US


@dataclass
class Machine:
    """A wall clock and a steady one, both set by hand. ``look_us`` passes each time that somebody asks for the wall."""

    wall: int = NOON_US
    steady: int = 77 * SECOND_US
    look_us: int = 0

    def now_us(self) -> int:
        self.steady += self.look_us
        return self.wall

    def monotonic_us(self) -> int:
        return self.steady

    async def sleep(self, seconds: float) -> None:
        self.passes(int(seconds * SECOND_US))

    def passes(self, us: int, *, wall_ppm: int = 0) -> None:
        self.steady += us
        self.wall += us + us * wall_ppm // 1_000_000

    def site(self) -> SiteClock:
        return SiteClock(self, self.monotonic_us)


def test_a_step_of_the_wall_clock_changes_no_date() -> None:
    machine = Machine()
    clock: SteadyClock = machine.site()
    machine.passes(5 * SECOND_US)
    machine.wall += 2 * 365 * 86_400 * SECOND_US
    assert clock.now_us() == NOON_US + 5 * SECOND_US
    assert clock.ahead_us() == 2 * 365 * 86_400 * SECOND_US
    assert clock.wall_us() == machine.wall


def test_an_anchor_is_where_dates_go_on_from() -> None:
    machine = Machine()
    clock = machine.site()
    clock.anchor(NOON_US + 9)
    machine.passes(SECOND_US)
    assert clock.now_us() == NOON_US + 9 + SECOND_US


def test_a_slew_is_made_good_slowly_and_dates_never_fall() -> None:
    machine = Machine()
    clock = machine.site()
    machine.wall -= SECOND_US
    dates = []
    for _ in range(4_000):
        ahead_us = clock.ahead_us()
        assert ahead_us is not None
        clock.slew(ahead_us)
        dates.append(clock.now_us())
        machine.passes(SECOND_US // 2)
    steps = [later - earlier for earlier, later in pairwise(dates)]
    slowest_us = SECOND_US // 2 * (1_000_000 - SLEW_MAX_PPM) // 1_000_000
    assert min(steps) >= slowest_us - 1
    assert abs(clock.ahead_us() or 0) < 10


def test_a_look_that_took_too_long_says_nothing() -> None:
    machine = Machine(look_us=LOOK_LONGEST_US + 1)
    assert machine.site().ahead_us() is None
    machine.look_us = LOOK_LONGEST_US
    assert machine.site().ahead_us() is not None


def test_the_machines_own_steady_clock_goes_on() -> None:
    clock = SiteClock(SystemClock(), boot_time_us)
    dates = [clock.now_us() for _ in range(1_000)]
    assert dates == sorted(dates)
    assert abs(clock.ahead_us() or 0) < SECOND_US


async def test_the_last_date_of_a_journal_is_that_of_the_last_reading() -> None:
    journal = MemoryJournal()
    assert await last_dated_us(journal) == 0
    silence = failed("one", at_us=NOON_US)
    await journal.observe("one", [read(5, "one", at_us=NOON_US - SECOND_US)], silence)
    assert await last_dated_us(journal) == silence.silence.last_received_us
    reading = read(7, "two", at_us=NOON_US + 60 * SECOND_US)
    await journal.observe("two", [], reading)
    assert await last_dated_us(journal) == reading.plateau.last_received_us


async def test_what_people_date_ahead_is_no_date_of_ours() -> None:
    journal = MemoryJournal()
    await journal.append(Assigned(NOON_US + 365 * 86_400 * SECOND_US, "anise", "00042"))
    assert await last_dated_us(journal) == 0
