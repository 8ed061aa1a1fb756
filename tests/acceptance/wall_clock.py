"""The wall clock of one process, set by a test: libfaketime before it, its monotonic clocks left alone."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

LIBRARIES = ("/usr/lib/*/faketime/libfaketimeMT.so.1", "/usr/lib/faketime/libfaketimeMT.so.1")


def library() -> Path:
    """Debian's package faketime; the variant for programs with threads."""
    found = [path for pattern in LIBRARIES for path in Path("/").glob(pattern.lstrip("/"))]
    assert found, f"libfaketime is in none of {', '.join(LIBRARIES)}: apt-get install faketime"
    return found[0]


@dataclass
class WallClock:
    """``file`` says how far the process is from the true time; it is read again at each look at a clock."""

    file: Path

    def __post_init__(self) -> None:
        self.off_by_s(0)

    def off_by_s(self, seconds: int) -> None:
        """From now on, for whoever runs with ``environment``."""
        fresh = self.file.with_suffix(".new")
        fresh.write_text(f"{seconds:+d}\n")
        fresh.replace(self.file)

    def environment(self) -> Mapping[str, str]:
        return {
            **os.environ,
            "LD_PRELOAD": str(library()),
            "FAKETIME_TIMESTAMP_FILE": str(self.file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            # The times of files are the disk's own.
            "NO_FAKE_STAT": "1",
        }
