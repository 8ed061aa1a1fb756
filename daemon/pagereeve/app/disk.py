"""The disk that a folder lies on, asked of the operating system."""

from __future__ import annotations

import os
from pathlib import Path

from pagereeve.reports.disk_space import Disk


def disk_of(folder: Path) -> Disk | None:
    """None where the folder is gone or can't be looked at."""
    try:
        found = os.statvfs(folder)
    except OSError:
        return None
    return Disk(found.f_bavail * found.f_frsize, found.f_blocks * found.f_frsize)
