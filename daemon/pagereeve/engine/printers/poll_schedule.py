"""When one printer's meter is read next, and who waits for a reading. Times are monotonic."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.printers.open_windows import OpenWindows
from pagereeve.engine.printers.polling import PollPolicy, PollState, next_interval_s
from pagereeve.engine.supervision.wakeup import seconds_until
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy

# Each who waits holds a sender's request: so many at one printer, and few at one whose meter does not answer.
GATES_MAX: Final = 256
GATES_SILENT_MAX: Final = 8


@dataclass(slots=True)
class Gate:
    """A gated release waits for a reading that was sent at ``since_us``, when its notice came, or later."""

    since_us: int
    answer: asyncio.Future[Reading | Failure]


@dataclass(slots=True)
class PollSchedule:
    """``read_asked``: the meter is about to move, and is read as soon as the last request has ended. ``pressed``: more
    is asked of the daemon than it can do, and a poll that can wait is put off, once.
    """

    clock: Clock
    entropy: Entropy
    poll_policy: PollPolicy
    pressed: Callable[[], bool] = lambda: False
    read_asked: bool = False
    _due_us: int = 0
    _interval_s: float = 0.0
    _failures: int = 0
    _stirred: bool = False
    _ended_us: int | None = None
    _last: Reading | Failure | None = None
    _last_sent_us: int = 0
    _good_sent_us: int | None = None
    _can_wait: bool = True
    _gates: tuple[Gate, ...] = ()

    @property
    def failures(self) -> int:
        """Failed reads in a row."""
        return self._failures

    @property
    def good_sent_us(self) -> int | None:
        """When the last good read was sent."""
        return self._good_sent_us

    def ask(self) -> None:
        self.read_asked = True

    def stir(self) -> None:
        """A notice came, or the count moved: the intervals start from the shortest again."""
        self._stirred = True

    def is_due(self) -> bool:
        if self.read_asked:
            return True
        if self.clock.monotonic_us() < self._due_us:
            return False
        if not self._can_wait or not self.pressed():
            return True
        # So polls are thinned out before anything is refused; the jitter keeps them from coming back together.
        self._can_wait = False
        spread_s = self.poll_policy.longest_s * (1 + self.entropy.jitter())
        self._due_us = self.clock.monotonic_us() + int(spread_s * SECOND_US)
        return False

    def due_in_s(self) -> float:
        """Seconds until the planned read, whatever was asked for besides."""
        return seconds_until(self._due_us, self.clock)

    def first_within(self, spread_s: float) -> None:
        """The first read of many printers, spread over so long."""
        self._due_us = self.clock.monotonic_us() + int(spread_s * self.entropy.jitter() * SECOND_US)

    def soon(self) -> None:
        """A fact came: the reading that closes it follows within the shortest interval."""
        self._due_us = min(self._due_us, self.clock.monotonic_us() + int(self.poll_policy.first_s * SECOND_US))

    def begins(self) -> int:
        """A read is sent now: what was asked for so far is served by it. The instant of sending."""
        self.read_asked = False
        return self.clock.monotonic_us()

    def ended(self, result: Reading | Failure, sent_us: int) -> None:
        """The read that began at ``sent_us`` has ended; whose notice came before it was sent has the answer."""
        self._ended_us = self.clock.monotonic_us()
        self._last, self._last_sent_us = result, sent_us
        if isinstance(result, Reading):
            self._failures, self._good_sent_us = 0, sent_us
        else:
            self._failures += 1
        for gate in self._gates:
            if gate.since_us <= sent_us and not gate.answer.done():
                gate.answer.set_result(result)

    def plan(
        self,
        windows: OpenWindows,
        *,
        watch_until_us: int,
        proving: bool = False,
        put_off_s: float = 0.0,
        gathers: bool = False,
    ) -> None:
        """Decide on the next read. Until ``watch_until_us`` (wall time) missing pages may still surface; ``proving``:
        somebody waits for the meter to rest. Nothing closes a window before ``put_off_s``: no read is needed for it.
        ``gathers``: more came than ``windows`` know of, which are planned for once they do.
        """
        now_us = self.clock.now_us()
        poll_state = PollState(
            waiting=bool(windows.starts_us) or windows.unwitnessed or watch_until_us > now_us or gathers,
            oldest_wait_s=max((now_us - start_us for start_us in windows.starts_us), default=0) / SECOND_US,
            due_s=None if windows.due_us is None else max(put_off_s, (windows.due_us - now_us) / SECOND_US),
            interval_s=self._interval_s,
            stirred=self._stirred or windows.unwitnessed or gathers,
            failures=self._failures,
            proving=proving,
        )
        # The reading that closes a window, and the one that somebody waits for, come when they are due.
        closes = poll_state.due_s is not None and poll_state.due_s <= self.poll_policy.longest_s
        self._can_wait = not proving and not (poll_state.waiting and closes)
        self._interval_s = next_interval_s(self.poll_policy, poll_state, self.entropy.jitter())
        self._stirred = self._stirred and gathers
        since_us = self.clock.monotonic_us() if self._ended_us is None else self._ended_us
        self._due_us = since_us + int(self._interval_s * SECOND_US)

    def in_hand(self, since_us: int) -> Reading | Failure | None:
        """What the last read gave, if it was sent at ``since_us`` (monotonic) or later."""
        return self._last if self._last_sent_us >= since_us else None

    def open_gate(self, since_us: int) -> Gate | None:
        """For a read sent at ``since_us`` or later, whoever has it sent; ``close_gate`` must follow. None: too many
        wait already.
        """
        if len(self._gates) >= (GATES_SILENT_MAX if self._failures else GATES_MAX):
            return None
        gate = Gate(since_us, asyncio.get_running_loop().create_future())
        self._gates = (*self._gates, gate)
        return gate

    def close_gate(self, gate: Gate) -> None:
        self._gates = tuple(one for one in self._gates if one is not gate)
