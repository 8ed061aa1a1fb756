"""What a loop does just now, said by the loop itself: long enough at it, it is stuck and not busy."""

from __future__ import annotations

from dataclasses import dataclass

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import Clock

# Beyond the time that something may take by its own limit: the machine is slow, the loop is not stuck.
GRACE_S = 30.0
# A commit takes milliseconds, and is refused after seconds.
STORE_LONGEST_S = 60.0
# A printer's rows are read from the journal, of years where rules changed, and thousands wait for one another.
OPEN_LONGEST_S = 600.0
# Whoever has nothing to do says so this often.
WAKE_EVERY_S = 60.0


@dataclass(slots=True)
class Heartbeat:
    """``since_us`` (wall time): since when it does that. ``success_us`` (wall time): when the loop last came round.

    ``failed``: it failed, and has done nothing well since. ``until_us`` (monotonic): beyond it, it is stuck.
    """

    clock: Clock
    doing: str = "has not begun"
    since_us: int = 0
    success_us: int | None = None
    failed: bool = False
    until_us: int | None = None
    _rests: bool = False

    def does(self, what: str, longest_s: float) -> None:
        """From now on ``what``, for at most so long; the loop says something else before."""
        self.doing, self.since_us, self._rests = what, self.clock.now_us(), False
        self.until_us = self.clock.monotonic_us() + int(longest_s * SECOND_US)

    def rests(self, longest_s: float) -> None:
        """Nothing is to be done; the loop wakes by itself within ``longest_s`` and GRACE_S."""
        self.does("rests", longest_s + GRACE_S)
        self._rests = True

    def called(self) -> None:
        """Somebody handed it work: from now on it rests no longer than GRACE_S."""
        if self._rests:
            self.does("was called and has not come", GRACE_S)

    def succeeded(self) -> None:
        """The loop did what it is for, once."""
        self.success_us, self.failed = self.clock.now_us(), False

    def idled(self) -> None:
        """It came round and had nothing to do: as good as a success, unless the last thing it did failed."""
        if not self.failed:
            self.success_us = self.clock.now_us()

    def fails(self, pause_s: float) -> None:
        """The supervisor restarts the loop within ``pause_s``."""
        self.does("waits to be restarted", pause_s + GRACE_S)
        self.failed = True

    @property
    def stuck(self) -> bool:
        return self.until_us is not None and self.clock.monotonic_us() > self.until_us
