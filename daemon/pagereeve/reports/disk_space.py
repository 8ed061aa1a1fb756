"""How much of a disk must be free, and what to say where it is not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

MIB: Final = 2**20
# The write-ahead file may grow to this before it is cut (journal.writer): less free space, and a busy hour fills it.
LEAST_FREE_BYTES: Final = 64 * MIB
# File systems slow down and break up files when they are nearly full; of a large disk a fixed amount is enough.
LEAST_FREE_SHARE: Final = 100
LEAST_FREE_OF_LARGE_BYTES: Final = 1024 * MIB


@dataclass(frozen=True, slots=True)
class Disk:
    """``free_bytes`` is what is left for us, without what is kept back for root."""

    free_bytes: int
    size_bytes: int

    @property
    def least_free_bytes(self) -> int:
        return max(LEAST_FREE_BYTES, min(self.size_bytes // LEAST_FREE_SHARE, LEAST_FREE_OF_LARGE_BYTES))


def disk_trouble(disk: Disk | None) -> str:
    """Empty where enough is free; None is a disk that can't be asked."""
    if disk is None:
        return "the folder of the journal can't be looked at"
    if disk.free_bytes >= disk.least_free_bytes:
        return ""
    return f"{disk.free_bytes // MIB} MiB are free, {disk.least_free_bytes // MIB} MiB should be: make room"
