"""Does the machine's wall clock go with our dates? Slews are followed; a step is a fact, and changes no date."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.facts.facts import ClockChange, ClockChanged, Origin
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.clock_agreement import Witnesses
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

# After a step the kernel must say for so long that the clock is synchronised: who sets a clock says so last.
HELD_S: Final = 60
# Such a lead of our dates is slewed away within a week.
CLOSED_MAX_US: Final = 600 * SECOND_US

OnChanged = Callable[[ClockChanged], None]


@dataclass(frozen=True, slots=True)
class Correction:
    """Our dates are to be so much later from now on, and why that is known."""

    by_us: int
    why: str


OnCorrection = Callable[[Correction], bool]
"""False where it can't be done at once."""


@dataclass(frozen=True, slots=True)
class Authorities:
    """Who may say that the wall clock is right, besides those who are heard: the kernel, a person ("" for nobody)."""

    synchronised: Callable[[], bool] = lambda: False
    person: Callable[[], str] = lambda: ""


@dataclass(slots=True)
class ClockWatch:
    """One odd look is a glitch, a second one that agrees with it is a fact.

    ``boot`` names this life of the daemon, ``daemon`` the daemon itself where there are several. ``on_changed``
    receives what is stored. ``agreed``: dates began with a clock that is right. ``on_correction`` receives, once, what
    our dates are to be corrected by. If that can't be done, as they would be set back, a small lead is slewed away
    instead (``_closing``). ``standing_us`` is how far the wall clock was ahead of our dates when that was last told; 0
    while it goes with them.
    """

    clock: SteadyClock
    boot: str
    store: FactWrites
    on_changed: OnChanged
    daemon: str = ""
    agreed: bool = True
    authorities: Authorities = Authorities()
    on_correction: OnCorrection | None = None
    witnesses: Witnesses = field(default_factory=Witnesses)
    heartbeat: Heartbeat = field(init=False)
    steps: int = 0
    standing_us: int = 0
    _odd_us: int | None = None
    _stepped_us: int = 0
    _corrected: bool = False
    _closing: bool = False
    _untold: list[ClockChanged] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    async def begin(self) -> None:
        """A boot begins: what an earlier one said of the clock is over."""
        now_us, wall_us = self.clock.now_us(), self.clock.wall_us()
        if not self.agreed:
            self.standing_us = wall_us - now_us
        await self._tell(self._changed("started" if self.agreed else "not-agreed", now_us, wall_us))
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
            self._weigh(seen_us)
        while self._untold:
            await self._tell(self._untold[0])
            del self._untold[0]

    def telemetry(self) -> ClockTelemetry:
        return ClockTelemetry(self.steps, self.clock.wall_us() - self.clock.now_us(), self.agreed)

    @property
    def in_doubt(self) -> bool:
        """Somebody's word would count."""
        return not self._corrected and (not self.agreed or bool(self.standing_us))

    def _weigh(self, seen_us: int) -> None:
        if self.on_correction is None or not self.in_doubt or self._odd_us is not None:
            return
        correction = self._known_better(seen_us)
        if correction is not None:
            self._corrected = True
            self._closing = not self.on_correction(correction) and -CLOSED_MAX_US <= correction.by_us < 0

    def _known_better(self, seen_us: int) -> Correction | None:
        person = self.authorities.person()
        if person:
            return Correction(seen_us, f"{person} says that the clock is right")
        held = self.agreed and self.clock.monotonic_us() - self._stepped_us < HELD_S * SECOND_US
        if not self.authorities.synchronised():
            self._stepped_us = self.clock.monotonic_us()
        elif not held and not (self.agreed and self.witnesses.deny(seen_us)):
            return Correction(seen_us, "the kernel says that the clock is synchronised")
        if self.witnesses.agree_with(seen_us):
            return Correction(seen_us, "two sources agree with the clock")
        other_us = None if self.agreed else self.witnesses.agreed_us()
        return None if other_us is None else Correction(other_us, "a sender's times and a printer's uptime agree")

    def _judge(self, seen_us: int) -> None:
        off_us = seen_us - self.standing_us
        if abs(off_us) <= STEP_US:
            self._odd_us = None
            self.clock.slew(seen_us if self._closing else off_us)
            if self._closing:
                self._close(seen_us)
        elif self._odd_us is None or abs(seen_us - self._odd_us) > STEP_US:
            self._odd_us = seen_us
        else:
            self._step(seen_us)

    def _close(self, seen_us: int) -> None:
        """Our dates wait for the clock; once it has come up with them, they are right."""
        self.standing_us = seen_us
        if seen_us >= -STEP_US:
            now_us = self.clock.now_us()
            self._closing, self.agreed, self.standing_us = False, True, 0
            self._untold.append(self._changed("returned", now_us + seen_us, now_us + seen_us))

    def _step(self, seen_us: int) -> None:
        now_us = self.clock.now_us()
        back = abs(seen_us) <= STEP_US
        before_us, wall_us = now_us + self.standing_us, now_us + seen_us
        self.steps += 1
        self.standing_us, self._odd_us = 0 if back else seen_us, None
        if self.agreed:
            self._stepped_us = self.clock.monotonic_us()
            self.witnesses.forget()
        self._untold.append(self._changed("returned" if back else "stepped", before_us, wall_us))

    def _changed(self, change: ClockChange, before_us: int, wall_us: int) -> ClockChanged:
        now_us, monotonic_us = self.clock.now_us(), self.clock.monotonic_us()
        origin = Origin(SOURCE, f"{self.boot}-{monotonic_us:017d}", now_us, now_us)
        seen_us = _named(before_us), _named(wall_us)
        return ClockChanged(origin, self.boot, change, monotonic_us, *seen_us, daemon=self.daemon)

    async def _tell(self, changed: ClockChanged) -> None:
        await self.store.append(changed)
        self.on_changed(changed)


def _named(at_us: int) -> int:
    return max(0, min(at_us, LAST_US))
