"""What is known of an agent's SNMP engine: its id, and its clock as RFC 3414 section 2.2 keeps it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

TIME_WINDOW_S: Final = 150
LATCHED: Final = 2**31 - 1


@dataclass(slots=True)
class Engine:
    """``boots`` and ``time_s`` were the agent's at ``learnt_us`` (monotonic).

    ``proven``: an authentic message said so.
    """

    engine_id: bytes
    boots: int = 0
    time_s: int = 0
    learnt_us: int = 0
    proven: bool = False
    latest_s: int = 0

    def time_at(self, now_us: int) -> int:
        """The agent's clock goes on while nobody asks it (markabrahams/node-net-snmp#309)."""
        return min(self.time_s + max(0, now_us - self.learnt_us) // 1_000_000, LATCHED)

    def learn(self, boots: int, time_s: int, now_us: int, *, proven: bool) -> None:
        self.boots, self.time_s, self.learnt_us = boots, time_s, now_us
        self.proven = self.proven or proven
        self.latest_s = time_s

    def outside(self, boots: int, time_s: int, now_us: int) -> bool:
        """Whether an authentic message is too old to be believed (RFC 3414 section 3.2, step 7b)."""
        if boots == LATCHED:
            return True
        if not self.proven or boots > self.boots:
            return False
        return boots < self.boots or time_s < self.time_at(now_us) - TIME_WINDOW_S

    def hear(self, boots: int, time_s: int, now_us: int) -> None:
        """An authentic message inside the window: newer values are adopted."""
        if not self.proven or boots > self.boots or (boots == self.boots and time_s > self.latest_s):
            self.learn(boots, time_s, now_us, proven=True)
