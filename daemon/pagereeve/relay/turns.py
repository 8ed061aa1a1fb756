"""How long one peer may keep the relay at work: a burst, then a share of the time. What is beyond waits, that of others
does not.

A calm gateway's lines take some hundredths of a millisecond each: it never comes near.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

SHARE: Final = 5
"""One of so many parts of the time, whatever the number of its connections."""
BURST_US: Final = 20_000
PEERS_MAX: Final = 4_096


def _now_us() -> int:
    return time.perf_counter_ns() // 1_000


def _worked_us() -> int:
    """Processor time of this thread: what others took meanwhile is no work of ours."""
    return time.thread_time_ns() // 1_000


class Turns:
    """Spacing by a due time for each peer, as cells have it (ITU-T I.371, generic cell rate algorithm), of work.

    ``worked_us`` only grows; the difference of two is the work between them.
    """

    def __init__(self, now_us: Callable[[], int] = _now_us, worked_us: Callable[[], int] = _worked_us) -> None:
        self.worked_us = worked_us
        self._now_us = now_us
        self._due_us: OrderedDict[str, int] = OrderedDict()

    def took(self, peer: str, work_us: int) -> int:
        """Work of so long was done for a peer; how long its next one has to wait, in µs, from now on."""
        now_us = self._now_us()
        due_us = max(self._due_us.pop(peer, now_us), now_us) + work_us * SHARE
        self._due_us[peer] = due_us
        if len(self._due_us) > PEERS_MAX:
            self._due_us.popitem(last=False)
        return max(0, due_us - now_us - BURST_US * SHARE)
