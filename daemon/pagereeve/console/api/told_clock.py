"""The daemon's clock, told with each question: facts have the dates of the site, which the machine's wall clock may
contradict.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from pagereeve.ports.clock import boot_time_us

CLOCK_HEADER: Final = "pagereeve-clock"
"""The daemon's date of the instant at which the machine started: both processes know the time since then, and nobody
sets it."""


def clock_header(now_us: int) -> tuple[bytes, bytes]:
    """``now_us`` is the daemon's date of this moment."""
    return CLOCK_HEADER.encode(), str(now_us - boot_time_us()).encode()


def told_clock(headers: Mapping[str, str]) -> Callable[[], int] | None:
    """None where nobody told."""
    value = headers.get(CLOCK_HEADER)
    if value is None:
        return None
    started_us = int(value)
    return lambda: started_us + boot_time_us()
