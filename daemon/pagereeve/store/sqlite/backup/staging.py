"""A folder in which something is made before it has its name; whatever ends its maker, the next one tidies it."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from pagereeve.store.sqlite.backup.errors import BackupTrouble

_MODE: Final = 0o700


@contextmanager
def staging(folder: Path) -> Iterator[Path]:
    """An empty folder at ``folder``, nobody else's to read, removed at the end with what is left in it.

    Raises BackupTrouble while another process has it, or OSError.
    """
    folder.mkdir(mode=_MODE, exist_ok=True)
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        _lock(folder, descriptor)
        os.fchmod(descriptor, _MODE)
        _empty(folder)
        try:
            yield folder
        finally:
            _empty(folder)
            folder.rmdir()
    finally:
        os.close(descriptor)


def _lock(folder: Path, descriptor: int) -> None:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # The one who had it may have removed it while we came.
        gone = os.stat(folder).st_ino != os.fstat(descriptor).st_ino  # noqa: PTH116 - beside the other
    except (BlockingIOError, FileNotFoundError):
        gone = True
    if gone:
        raise BackupTrouble(folder, "another process works in it; wait until it has ended")


def _empty(folder: Path) -> None:
    for entry in folder.iterdir():
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry)
        else:
            entry.unlink()


def sync_folder(folder: Path) -> None:
    """Names in it are durable on return."""
    sync_file(folder, os.O_DIRECTORY)


def sync_file(path: Path, flags: int = 0) -> None:
    """Its content is durable on return."""
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
