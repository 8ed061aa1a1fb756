"""Is more asked of the daemon than it can do? Measured waiting says so, long before a queue is full.

Two looks in a row begin it and two end it: one odd measurement is a glitch. It begins at one threshold and ends at a
lower one, so that a load near a threshold does not make it come and go.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from pagereeve.engine.supervision.heartbeat import Heartbeat
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.clock import Clock
from pagereeve.ports.telemetry import OverloadCause, OverloadTelemetry

LOOK_EVERY_S: Final = 0.5
LOOKS_AGREE: Final = 2
# Who is told to come again waits for about what is waited for now, in seconds.
RETRY_LEAST_S, RETRY_MOST_S = 5, 60


class Threshold(NamedTuple):
    begins: float
    ends: float
    words: str


THRESHOLDS: Final[Mapping[OverloadCause, Threshold]] = {
    "write-wait": Threshold(3.0, 1.0, "the oldest write has waited for {:.1f} s"),
    "write-queue": Threshold(0.25, 0.1, "{:.0%} of the places for writes are taken"),
    "projection-wait": Threshold(5.0, 1.0, "the oldest projection has waited for {:.1f} s"),
}
"""By cause: seconds of waiting, or a share of places."""

Measured = Mapping[OverloadCause, float]


@dataclass(frozen=True, slots=True)
class Overload:
    """``causes`` are those whose threshold was reached and that have not gone below the lower one since;
    ``measured`` is what the last look measured of all.
    """

    causes: tuple[OverloadCause, ...]
    measured: Measured

    @property
    def words(self) -> str:
        return "; ".join(THRESHOLDS[cause].words.format(self.measured[cause]) for cause in self.causes)


@dataclass(slots=True)
class OverloadWatch:
    """``measure`` gives a figure for each cause. ``on_change`` receives the overload when it begins, and None when it
    is over. ``overload`` is None while there is none.
    """

    clock: Clock
    measure: Callable[[], Measured]
    on_change: Callable[[Overload | None], None]
    overload: Overload | None = None
    heartbeat: Heartbeat = field(init=False)
    _over: dict[OverloadCause, int] = field(default_factory=dict)
    _under: dict[OverloadCause, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    def start(self, supervisor: Supervisor) -> None:
        supervisor.start("watchdog", "overload", self.run, heartbeat=self.heartbeat, forever=True)

    async def run(self) -> None:
        while True:
            self.look()
            self.heartbeat.succeeded()
            self.heartbeat.rests(LOOK_EVERY_S)
            await self.clock.sleep(LOOK_EVERY_S)

    def look(self) -> None:
        measured = self.measure()
        before = () if self.overload is None else self.overload.causes
        causes = tuple(cause for cause in THRESHOLDS if self._holds(cause, measured[cause], before=cause in before))
        self.overload = Overload(causes, measured) if causes else None
        if bool(causes) != bool(before):
            self.on_change(self.overload)

    def _holds(self, cause: OverloadCause, value: float, *, before: bool) -> bool:
        threshold = THRESHOLDS[cause]
        self._over[cause] = self._over.get(cause, 0) + 1 if value >= threshold.begins else 0
        self._under[cause] = self._under.get(cause, 0) + 1 if value <= threshold.ends else 0
        return self._under[cause] < LOOKS_AGREE if before else self._over[cause] >= LOOKS_AGREE

    @property
    def overloaded(self) -> bool:
        return self.overload is not None

    def retry_after_s(self) -> int | None:
        """When a sender that can wait should come again; None where nobody has to."""
        if self.overload is None:
            return None
        waited_s = max(self.overload.measured[cause] for cause in ("write-wait", "projection-wait"))
        return min(max(math.ceil(waited_s), RETRY_LEAST_S), RETRY_MOST_S)

    def notice(self) -> str:
        """For whoever asks how the daemon is; empty while all is well."""
        if self.overload is None:
            return ""
        return f"overloaded: {self.overload.words}; senders that do not wait for an answer are told to come again"

    def telemetry(self) -> OverloadTelemetry:
        causes = () if self.overload is None else self.overload.causes
        return OverloadTelemetry(causes, self.notice(), self.measure()["projection-wait"])
