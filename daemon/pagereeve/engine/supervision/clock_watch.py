"""Does the machine's wall clock go with our dates? Slews are followed; a step is a fact, and changes no date."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.facts.facts import ClockChange, ClockChanged, Origin
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import SteadyClock
from pagereeve.ports.journal import FactWrites
from pagereeve.ports.telemetry import ClockTelemetry

LOOK_EVERY_S: Final = 0.5
# A leap second is no step, and neither is the look of a busy machine; our choice.
STEP_US: Final = 2 * SECOND_US
SOURCE: Final = "urn:pagereeve:clock"
# The end of the year 9999: a clock beyond it can't be written in RFC 3339.
LAST_US: Final = 253_402_300_799 * SECOND_US

OnChanged = Callable[[ClockChanged], None]


@dataclass(slots=True)
class ClockWatch:
    """One odd look is a glitch, a second one that agrees with it is a fact.

    ``boot`` names this life of the daemon. ``on_changed`` receives what is stored. ``standing_us`` is how far the wall
    clock was ahead of our dates when that was last told; 0 while it goes with them.
    """

    clock: SteadyClock
    boot: str
    store: FactWrites
    on_changed: OnChanged
    heartbeat: Heartbeat = field(init=False)
    steps: int = 0
    standing_us: int = 0
    _odd_us: int | None = None
    _untold: list[ClockChanged] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    async def begin(self) -> None:
        """A boot begins: what an earlier one said of the clock is over."""
        await self._tell(self._changed("started", self.clock.now_us(), self.clock.wall_us()))
        self.heartbeat.succeeded()

    async def run(self) -> None:
        while True:
            self.heartbeat.rests(LOOK_EVERY_S)
            await self.clock.sleep(LOOK_EVERY_S)
            self.heartbeat.does("stores what the clock did", STORE_LONGEST_S)
            await self.look()
            self.heartbeat.succeeded()

    async def look(self) -> None:
        """Raises JournalUnavailable where a step could not be stored: it is stored after the next look."""
        seen_us = self.clock.ahead_us()
        if seen_us is not None:
            self._judge(seen_us)
        while self._untold:
            await self._tell(self._untold[0])
            del self._untold[0]

    def telemetry(self) -> ClockTelemetry:
        return ClockTelemetry(self.steps, self.clock.wall_us() - self.clock.now_us())

    def _judge(self, seen_us: int) -> None:
        off_us = seen_us - self.standing_us
        if abs(off_us) <= STEP_US:
            self._odd_us = None
            self.clock.slew(off_us)
        elif self._odd_us is None or abs(seen_us - self._odd_us) > STEP_US:
            self._odd_us = seen_us
        else:
            self._step(seen_us)

    def _step(self, seen_us: int) -> None:
        now_us = self.clock.now_us()
        back = abs(seen_us) <= STEP_US
        before_us, wall_us = now_us + self.standing_us, now_us + seen_us
        self.steps += 1
        self.standing_us, self._odd_us = 0 if back else seen_us, None
        self._untold.append(self._changed("returned" if back else "stepped", before_us, wall_us))

    def _changed(self, change: ClockChange, before_us: int, wall_us: int) -> ClockChanged:
        now_us, monotonic_us = self.clock.now_us(), self.clock.monotonic_us()
        origin = Origin(SOURCE, f"{self.boot}-{monotonic_us:017d}", now_us, now_us)
        return ClockChanged(origin, self.boot, change, monotonic_us, _named(before_us), _named(wall_us))

    async def _tell(self, changed: ClockChanged) -> None:
        await self.store.append(changed)
        self.on_changed(changed)


def _named(at_us: int) -> int:
    return max(0, min(at_us, LAST_US))
