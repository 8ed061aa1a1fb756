"""The disk that a folder lies on, how much of it must be free, and what to say where it is not."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from pagereeve.ports.telemetry import DiskTelemetry

MIB: Final = 2**20
# The write-ahead file may grow to this before it is cut (journal.writer): less free space, and a busy hour fills it.
LEAST_FREE_BYTES: Final = 64 * MIB
# File systems slow down and break up files when they are nearly full; of a large disk a fixed amount is enough.
LEAST_FREE_SHARE: Final = 100
LEAST_FREE_OF_LARGE_BYTES: Final = 1024 * MIB


def disk_of(folder: Path) -> DiskTelemetry | None:
    """None where the folder is gone or can't be looked at."""
    try:
        found = os.statvfs(folder)
    except OSError:
        return None
    return DiskTelemetry(found.f_bavail * found.f_frsize, found.f_blocks * found.f_frsize)


def least_free_bytes(size_bytes: int) -> int:
    """How much must be free of a disk of that size."""
    return max(LEAST_FREE_BYTES, min(size_bytes // LEAST_FREE_SHARE, LEAST_FREE_OF_LARGE_BYTES))


def disk_trouble(disk: DiskTelemetry | None) -> str:
    """Empty where enough is free; None is a disk that can't be asked."""
    if disk is None:
        return "the folder of the journal can't be looked at"
    least_bytes = least_free_bytes(disk.size_bytes)
    if disk.free_bytes >= least_bytes:
        return ""
    return f"{disk.free_bytes // MIB} MiB are free, {least_bytes // MIB} MiB should be: make room"
