"""The files of a journal."""

from __future__ import annotations

from pathlib import Path
from typing import Final

JOURNAL_NAME: Final = "journal.sqlite"
"""In the data folder; beside it lies its write-ahead file."""


def wal_path(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def shm_path(path: Path) -> Path:
    """The index of the write-ahead file, which all that read and write share."""
    return path.with_name(path.name + "-shm")


def lock_path(path: Path) -> Path:
    return path.with_name(path.name + ".lock")


def newest_path(path: Path) -> Path:
    """What was acknowledged last (store/newest.py)."""
    return path.with_suffix(".newest")


def archives_path(path: Path) -> Path:
    """The folder of files with facts that left the journal (pagereeve archive)."""
    return path.with_name("archives")


def size_bytes(path: Path) -> int:
    """0 where there is no such file."""
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0
