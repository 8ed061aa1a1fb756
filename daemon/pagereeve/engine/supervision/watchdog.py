"""The daemon's watchdog: fed only while the loop turns and the work behind it goes on.

diegosouzapw/OmniRoute#10661: a timer of its own would go on beating beside work that is stuck.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.clock import Clock

TURN_S = 0.25
WORST_OF_S = 60.0
# A loop that was blocked for longer than this within the last minute makes the daemon not ready.
LAG_LONGEST_S = 5.0
# A write is refused by the journal itself after seconds; one that waits for so long waits for a disk that hangs.
WRITE_LONGEST_S = 30.0
CHECK_EVERY_S = 5.0
# systemd wants at least two pings in its interval (sd_watchdog_enabled(3)); a third forgives a lost one.
PINGS_IN_INTERVAL = 3

Ping = Callable[[], None]
OnChange = Callable[[list[str]], None]


@dataclass(slots=True)
class Watchdog:
    """``write_waits_since_us`` is the monotonic instant of the oldest write that is not stored yet, None without one.

    ``on_change`` receives what is stuck, whenever that changes: an empty list once all goes on.
    """

    clock: Clock
    supervisor: Supervisor
    write_waits_since_us: Callable[[], int | None]
    on_change: OnChange
    stalled: list[str] = field(default_factory=list)
    _ping: Ping | None = None
    _interval_s: float = 0.0
    _check_us: int = 0
    _lags: deque[tuple[int, int]] = field(default_factory=lambda: deque(maxlen=int(WORST_OF_S / TURN_S)))

    def feed(self, ping: Ping, interval_s: float) -> None:
        """From now on ``ping`` several times in each interval (seconds) in which everything goes on."""
        self._ping, self._interval_s, self._check_us = ping, interval_s, 0

    async def run(self) -> None:
        while True:
            began_us = self.clock.monotonic_us()
            await self.clock.sleep(TURN_S)
            self.turn(began_us)

    def turn(self, began_us: int) -> None:
        """The loop came round, after TURN_S at the least."""
        now_us = self.clock.monotonic_us()
        lag_us = max(0, now_us - began_us - int(TURN_S * SECOND_US))
        self._lags.append((now_us, lag_us))
        if now_us < self._check_us:
            return
        self._check_us = now_us + int(self._every_s() * SECOND_US)
        self._check()
        late = self._ping is not None and lag_us > self._interval_s * SECOND_US
        if self._ping is not None and not self.stalled and not late:
            self._ping()

    def _every_s(self) -> float:
        return CHECK_EVERY_S if self._ping is None else min(CHECK_EVERY_S, self._interval_s / PINGS_IN_INTERVAL)

    def _check(self) -> None:
        waits_s = self.write_waits_s()
        stalled = [f"all tasks of kind {kind} are stuck or have ended" for kind in self.supervisor.stalled_kinds()]
        if waits_s > WRITE_LONGEST_S:
            stalled.append("a write waits for the journal and is not stored")
        if stalled != self.stalled:
            self.stalled = stalled
            self.on_change(stalled)

    def write_waits_s(self) -> float:
        """How long the oldest write has waited, in seconds; 0 without one."""
        since_us = self.write_waits_since_us()
        return 0.0 if since_us is None else (self.clock.monotonic_us() - since_us) / SECOND_US

    def write_trouble(self) -> str:
        """Empty unless the oldest write has waited for longer than WRITE_LONGEST_S."""
        waits_s = self.write_waits_s()
        return f"a write has waited for {waits_s:.0f} s and is not stored" if waits_s > WRITE_LONGEST_S else ""

    def loop_trouble(self) -> str:
        """Empty unless the loop was late by more than LAG_LONGEST_S within the last minute."""
        lag_s = self.lag_s()
        return f"everything stood still for {lag_s:.1f} s within the last minute" if lag_s > LAG_LONGEST_S else ""

    def lag_s(self) -> float:
        """By how much the loop was late at the worst, within the last minute (seconds)."""
        from_us = self.clock.monotonic_us() - int(WORST_OF_S * SECOND_US)
        return max((lag_us for at_us, lag_us in self._lags if at_us >= from_us), default=0) / SECOND_US
