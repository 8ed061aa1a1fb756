"""The files of a journal."""

from __future__ import annotations

from pathlib import Path
from typing import Final

JOURNAL_NAME: Final = "journal.sqlite"
"""In the data folder; beside it lies its write-ahead file."""


def wal_path(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def size_bytes(path: Path) -> int:
    """0 where there is no such file."""
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0
