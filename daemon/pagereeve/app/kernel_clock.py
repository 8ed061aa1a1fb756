"""Does somebody keep this machine's clock? The kernel knows it from whoever does: NTP, PTP, a hypervisor's agent."""

from __future__ import annotations

import ctypes
from pathlib import Path
from typing import Final

STA_UNSYNC: Final = 0x0040
TIME_ERROR: Final = 5
# systemd-timesyncd(8) touches it whenever it set the clock, so it is there for whoever may not ask the kernel.
TIMESYNC_FLAG: Final = Path("/run/systemd/timesync/synchronized")


class _Timex(ctypes.Structure):
    """struct timex (adjtimex(2)) as far as it is read; the rest is room."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("room", ctypes.c_long * 32),
    )


def synchronised() -> bool:
    """True where the kernel says so (adjtimex(2): STA_UNSYNC is not set). A step by settimeofday(2) sets that flag.

    Asking changes nothing: ``modes`` is 0. False where nobody says so, and where it may not be asked.
    """
    return kept() is True


def kept() -> bool | None:
    """As ``synchronised``; None where it can't be known: the kernel may not be asked, and nobody else says so."""
    asked = _kernel_says()
    if asked is None:
        return True if TIMESYNC_FLAG.exists() else None
    return asked


def _kernel_says() -> bool | None:
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    timex = _Timex(modes=0)
    state = int(adjtimex(ctypes.byref(timex)))
    if state < 0:
        return None
    return state != TIME_ERROR and not timex.status & STA_UNSYNC
