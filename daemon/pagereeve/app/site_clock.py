"""The clock of the site, by which every fact is dated: anchored once a boot, and led by a clock that never steps.

The machine's wall clock is asked for the anchor; from then on a date is the anchor and the time since then. NTP's
slews, a smeared leap second and a drift are followed slowly; a step is not, and engine/supervision/clock_watch.py
notices it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import Clock
from pagereeve.ports.store import Store

# Twice what a kernel lets a clock be slewed by (500 ppm: adjtimex(2)), and two orders beyond a smeared leap second.
SLEW_MAX_PPM: Final = 1_000
# What is amiss is made good within so long, if the slew may be as fast as that.
SLEW_WITHIN_S: Final = 10
# A look during which the process was not running says nothing.
LOOK_LONGEST_US: Final = 100_000
MILLION: Final = 1_000_000


class SiteClock:
    """Implements ports.clock.SiteClock. ``steady_us`` never steps and never stands still.

    ``now_us`` never falls within a boot: it is a line through a point, with a slope that differs from 1 by SLEW_MAX_PPM
    at the most.
    """

    def __init__(self, machine: Clock, steady_us: Callable[[], int]) -> None:
        self._machine = machine
        self._steady_us = steady_us
        self._line = (steady_us(), machine.now_us(), 0)

    def now_us(self) -> int:
        # Taken at once: other threads may ask while the line is turned.
        steady_us, at_us, ppm = self._line
        passed_us = self._steady_us() - steady_us
        return at_us + passed_us + passed_us * ppm // MILLION

    def monotonic_us(self) -> int:
        return self._machine.monotonic_us()

    async def sleep(self, seconds: float) -> None:
        await self._machine.sleep(seconds)

    def anchor(self, at_us: int) -> None:
        """It is that instant now. Before the first date is given, and never after."""
        self._line = (self._steady_us(), at_us, 0)

    def wall_us(self) -> int:
        return self._machine.now_us()

    def ahead_us(self) -> int | None:
        before_us = self._steady_us()
        dated_us, wall_us = self.now_us(), self._machine.now_us()
        took_us = self._steady_us() - before_us
        return None if took_us > LOOK_LONGEST_US else wall_us - dated_us - took_us // 2

    def slew(self, by_us: int) -> None:
        fastest = SLEW_MAX_PPM
        ppm = max(-fastest, min(fastest, by_us * MILLION // (SLEW_WITHIN_S * SECOND_US)))
        self._line = (self._steady_us(), self.now_us(), ppm)


async def last_dated_us(store: Store) -> int:
    """The latest instant that a fact of the journal is known for, what meters still do included; 0 in an empty one."""
    latest_us = await store.newest_us() or 0
    async for _, run in store.open_runs():
        fact = run.fact
        ended_us = fact.plateau.last_received_us if isinstance(fact, PlateauRead) else fact.silence.last_received_us
        latest_us = max(latest_us, ended_us)
    return latest_us
