"""Processor time of processes by Linux's own count (proc(5)): of those that are alive, and of those they waited for."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

TICKS: Final = os.sysconf("SC_CLK_TCK")
# Behind the name in parentheses: utime, stime, cutime, cstime are the fields 14 to 17 of the line.
FIRST: Final = 14 - 3


def tree_cpu_s(pid: int) -> float:
    """Of a process, all that it started, and what has ended of these. 0 of one that is gone."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="utf-8").split()
    except (FileNotFoundError, ProcessLookupError):
        return 0.0
    own = sum(int(one) for one in fields[FIRST : FIRST + 4]) / TICKS
    return own + sum(tree_cpu_s(int(child)) for child in children)
