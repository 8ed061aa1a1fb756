"""The wall clock beside our dates, on a virtual machine: steps, glitches, drift and a smeared leap second."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from pagereeve.app.site_clock import SiteClock
from pagereeve.domain.facts.facts import ClockChanged
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.clock_watch import HELD_S, LOOK_EVERY_S, STEP_US, Authorities, ClockWatch, Correction
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.engine.virtual import BEGIN_US, VirtualClock, passing

HOUR_US = 3_600 * SECOND_US
RARELY_S = 5.0
TWO_YEARS_US = 2 * 365 * 24 * HOUR_US


@dataclass
class Site:
    """A machine whose wall clock is off by ``off_us`` of the seconds since the start."""

    off_us: Callable[[float], int] = lambda _: 0
    machine: VirtualClock = field(default_factory=VirtualClock)
    journal: MemoryJournal = field(default_factory=MemoryJournal)
    told: list[ClockChanged] = field(default_factory=list)
    corrections: list[Correction] = field(default_factory=list)
    agreed: bool = True
    synchronised: bool = False
    person: str = ""

    def __post_init__(self) -> None:
        self.clock = SiteClock(self.machine, self.machine.monotonic_us)
        self.watch = ClockWatch(
            self.clock,
            "b007",
            self.journal,
            self.told.append,
            agreed=self.agreed,
            authorities=Authorities(lambda: self.synchronised, lambda: self.person),
            on_correction=self.correct,
        )

    async def passes(self, seconds: float, every_s: float = LOOK_EVERY_S) -> None:
        """``every_s``: looks may be rarer where nothing is to be seen twice."""
        for _ in range(round(seconds / every_s)):
            await self.machine.sleep(every_s)
            self.machine.step_us = self.off_us(self.machine.monotonic_us() / SECOND_US)
            await self.watch.look()

    def correct(self, correction: Correction) -> bool:
        self.corrections.append(correction)
        return correction.by_us > 0

    def steps(self) -> list[tuple[str, int]]:
        return [(one.change, round(one.size_us / SECOND_US)) for one in self.told]

    def off_by_us(self) -> int:
        """How far our dates are from what the machine's clock would show without ``off_us``."""
        return self.clock.now_us() - BEGIN_US - self.machine.monotonic_us()


def jump(by_us: int, from_s: float, until_s: float = math.inf) -> Callable[[float], int]:
    return lambda at_s: by_us if from_s <= at_s < until_s else 0


@pytest.mark.parametrize("by_us", [HOUR_US, -HOUR_US, TWO_YEARS_US, -40 * 365 * 24 * HOUR_US])
def test_a_step_is_told_within_a_second_and_moves_no_date(by_us: int) -> None:
    async def story() -> None:
        site = Site(jump(by_us, 10.0))
        await site.passes(9.5)
        assert site.told == []
        await site.passes(1.5)
        assert site.steps() == [("stepped", by_us // SECOND_US)]
        [step] = site.told
        assert step.monotonic_us == site.machine.monotonic_us() - SECOND_US // 2
        assert step.origin.at_us - BEGIN_US == step.monotonic_us
        assert (step.before_us, step.wall_us) == (step.origin.at_us, step.origin.at_us + by_us)
        await site.passes(600, RARELY_S)
        assert len(site.told) == 1
        assert site.off_by_us() == 0
        assert site.watch.telemetry().steps == 1
        assert site.watch.telemetry().ahead_us == by_us

    passing(story())


def test_two_years_ahead_for_8_seconds_is_a_step_there_and_a_step_back() -> None:
    async def story() -> None:
        site = Site(jump(TWO_YEARS_US, 10.0, 18.0))
        await site.passes(60)
        days = TWO_YEARS_US // SECOND_US
        assert site.steps() == [("stepped", days), ("returned", -days)]
        assert site.told[1].ahead_us == 0
        assert site.off_by_us() == 0
        stored = [one.fact async for one in site.journal.facts("")]
        assert stored == site.told

    passing(story())


def test_one_odd_look_is_a_glitch() -> None:
    async def story() -> None:
        site = Site(jump(HOUR_US, 10.0, 10.0 + LOOK_EVERY_S))
        await site.passes(30)
        assert site.told == []
        site.off_us = lambda at_s: round(at_s * 10) * SECOND_US
        await site.passes(5)
        assert site.told == [], "looks that contradict one another were believed"

    passing(story())


@pytest.mark.parametrize("ppm", [500, -500])
def test_a_drift_is_no_step_and_our_dates_go_with_it(ppm: int) -> None:
    """500 ppm is the most that a kernel corrects a clock by (adjtimex(2), MAXFREQ)."""

    async def story() -> None:
        site = Site(lambda at_s: round(at_s * ppm))
        await site.passes(24 * 3_600, RARELY_S)
        assert site.told == []
        assert abs(site.off_by_us() - 24 * 3_600 * ppm) < 20_000

    passing(story())


@pytest.mark.parametrize("smear_s", [20 * 3_600, 24 * 3_600])
def test_a_smeared_leap_second_is_no_step(smear_s: int) -> None:
    """Smeared from noon to noon, linearly (Google Public NTP, Leap Smear)."""

    async def story() -> None:
        site = Site(lambda at_s: -round(SECOND_US * min(1.0, at_s / smear_s)))
        await site.passes(smear_s + 60, RARELY_S)
        assert site.told == []
        assert abs(site.off_by_us() + SECOND_US) < 1_000

    passing(story())


def test_a_leap_second_that_the_kernel_puts_in_is_no_step() -> None:
    """STA_INS: the last second of the day comes twice (adjtimex(2))."""

    async def story() -> None:
        site = Site(jump(-SECOND_US, 10.0))
        await site.passes(3_600, RARELY_S)
        assert site.told == []
        assert abs(site.off_by_us() + SECOND_US) < 1_000

    passing(story())


def test_small_steps_that_sum_up_are_told_all_the_same() -> None:
    async def story() -> None:
        site = Site(lambda at_s: int(at_s) // 2 * SECOND_US)
        await site.passes(20)
        assert site.told
        assert all(abs(one.size_us) > STEP_US for one in site.told)

    passing(story())


def test_a_step_that_could_not_be_stored_is_stored_later_and_once() -> None:
    async def story() -> None:
        site = Site(jump(HOUR_US, 10.0))
        await site.passes(10)
        site.journal.unavailable = "the disk is full"
        with pytest.raises(JournalUnavailable):
            await site.passes(5)
        assert site.told == []
        site.journal.unavailable = ""
        await site.passes(5)
        assert site.steps() == [("stepped", 3_600)]

    passing(story())


def test_a_boot_says_that_it_began() -> None:
    async def story() -> None:
        site = Site()
        site.clock.anchor(BEGIN_US + HOUR_US)
        await site.watch.begin()
        [began] = site.told
        assert (began.change, began.boot, began.ahead_us) == ("started", "b007", -HOUR_US)
        site.machine.step_us = -BEGIN_US - SECOND_US
        await site.watch.begin()
        assert site.told[1].wall_us == 0

    passing(story())


def test_a_step_is_believed_once_the_kernel_has_said_so_for_a_minute() -> None:
    async def story() -> None:
        site = Site(jump(HOUR_US, 10.0))
        await site.passes(30)
        site.synchronised = True
        await site.passes(HELD_S - 1)
        assert site.corrections == []
        await site.passes(3)
        assert site.corrections == [Correction(HOUR_US, "the kernel says that the clock is synchronised")]
        await site.passes(600, RARELY_S)
        assert len(site.corrections) == 1

    passing(story())


def test_a_step_that_a_sender_denies_is_not_believed_whatever_the_kernel_says() -> None:
    async def story() -> None:
        site = Site(jump(HOUR_US, 10.0), synchronised=True)
        await site.passes(20)
        site.watch.witnesses.claim("urn:server", site.clock.now_us() - SECOND_US, site.clock.now_us())
        await site.passes(600, RARELY_S)
        assert site.corrections == []
        site.person = "warden"
        await site.passes(1)
        assert site.corrections == [Correction(HOUR_US, "warden says that the clock is right")]

    passing(story())


def test_two_senders_are_believed_and_what_they_said_before_the_step_is_not() -> None:
    async def story() -> None:
        site = Site(jump(HOUR_US, 10.0))
        for source in ("urn:one", "urn:two"):
            site.watch.witnesses.claim(source, site.clock.now_us(), site.clock.now_us())
        await site.passes(20)
        assert site.corrections == []
        for source in ("urn:one", "urn:two"):
            site.watch.witnesses.claim(source, site.clock.now_us() + HOUR_US, site.clock.now_us())
        await site.passes(1)
        assert site.corrections == [Correction(HOUR_US, "two sources agree with the clock")]

    passing(story())


def test_a_clock_that_came_back_needs_no_correction() -> None:
    async def story() -> None:
        site = Site(jump(TWO_YEARS_US, 10.0, 18.0), synchronised=True)
        await site.passes(600, RARELY_S)
        assert site.corrections == []

    passing(story())


@pytest.mark.parametrize("by_us", [21 * 24 * HOUR_US, -30 * HOUR_US])
def test_a_start_that_is_not_agreed_is_so_until_somebody_says_so(by_us: int) -> None:
    async def story() -> None:
        site = Site(agreed=False)
        site.clock.anchor(BEGIN_US - by_us)
        await site.watch.begin()
        await site.passes(600, RARELY_S)
        [began] = site.told
        assert (began.change, began.ahead_us) == ("not-agreed", by_us)
        assert not site.watch.telemetry().agreed
        assert site.corrections == []
        site.synchronised = True
        await site.passes(1)
        assert site.corrections == [Correction(by_us, "the kernel says that the clock is synchronised")]

    passing(story())


def test_a_start_whose_clock_stays_wrong_goes_by_a_sender_and_a_printer() -> None:
    async def story() -> None:
        site = Site(agreed=False)
        site.clock.anchor(BEGIN_US + 40 * 365 * 24 * HOUR_US)
        await site.watch.begin()
        now_us = site.clock.now_us()
        site.watch.witnesses.claim("urn:server", now_us + HOUR_US, now_us)
        site.watch.witnesses.printers["p"] = (HOUR_US + SECOND_US, SECOND_US)
        await site.passes(1)
        why = "a sender's times and a printer's uptime agree"
        assert site.corrections == [Correction(HOUR_US + SECOND_US, why)]

    passing(story())


def test_a_small_lead_of_our_dates_is_slewed_away_and_a_large_one_stays() -> None:
    """The clock was a little ahead before the last stop, and is right now: dates can't be set back."""

    async def story() -> None:
        site = Site(agreed=False, synchronised=True)
        site.clock.anchor(BEGIN_US + 10 * SECOND_US)
        await site.watch.begin()
        await site.passes(3_600, RARELY_S)
        assert [one.by_us for one in site.corrections] == [-10 * SECOND_US]
        assert not site.watch.agreed
        assert 6_000_000 < site.off_by_us() < 7_000_000
        await site.passes(3 * 3_600, RARELY_S)
        assert site.watch.agreed
        assert [one.change for one in site.told] == ["not-agreed", "returned"]
        assert abs(site.off_by_us()) < 1_000
        far = Site(agreed=False, synchronised=True)
        far.clock.anchor(BEGIN_US + site.machine.monotonic_us() + HOUR_US)
        await far.watch.begin()
        await far.passes(3_600, RARELY_S)
        assert not far.watch.agreed
        assert far.off_by_us() == HOUR_US

    passing(story())
