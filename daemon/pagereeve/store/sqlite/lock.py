"""One process at a time: a lock that the system lets go of when its holder dies, and a fence that grows."""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, insert, select, update

from pagereeve.store.errors import CantOpen, ForeignSideFile, InUse
from pagereeve.store.sql import tables as schema
from pagereeve.store.sqlite.files import lock_path

_ONLY: Final = 1
_NOTE_MAX_BYTES: Final = 4096


@dataclass(frozen=True, slots=True)
class Note:
    """What the holder leaves in the lock file; ``fence`` is None until the database file itself holds it."""

    pid: int
    fence: int | None = None


class InstanceLock:
    """The advisory lock on ``PATH.lock``. It ends with the process, however that ends."""

    def __init__(self, path: Path, descriptor: int) -> None:
        self._path = path
        self._descriptor = descriptor

    @classmethod
    def take(cls, path: Path) -> InstanceLock:
        """Raises InUse where another process has it, CantOpen where the folder allows no such file."""
        try:
            descriptor = os.open(lock_path(path), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise CantOpen(path, f"{error.strerror}; the folder must exist and allow writing") from error
        return cls._locked(path, descriptor)

    @classmethod
    def take_as_it_is(cls, path: Path) -> InstanceLock | None:
        """The same without a file made or changed; None where no process ever had it. Raises InUse or CantOpen."""
        try:
            descriptor = os.open(lock_path(path), os.O_RDONLY | os.O_CLOEXEC)
        except FileNotFoundError:
            return None
        except OSError as error:
            raise CantOpen(path, f"{lock_path(path).name} can't be opened: {error.strerror}") from error
        return cls._locked(path, descriptor)

    @classmethod
    def _locked(cls, path: Path, descriptor: int) -> InstanceLock:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = _read_note(descriptor)
            os.close(descriptor)
            by = f"process {holder.pid}" if holder is not None else "another process"
            raise InUse(path, f"{by} has it open; only one may write to it, so stop that one first") from error
        return cls(path, descriptor)

    def refuse_foreign_side_file(self, side_file: Path) -> None:
        """Raises ForeignSideFile where the database was put back under a write-ahead file of a later state.

        The last holder noted the fence that the database file itself held; a file that holds another one now was
        restored from a copy. Replaying the old side file onto it would corrupt it in silence
        (vellum-ai/vellum-assistant#27156).
        """
        note = _read_note(self._descriptor)
        if note is None or note.fence is None or not side_file.exists() or side_file.stat().st_size == 0:
            return
        fence = _fence_of_file_alone(self._path)
        if fence is not None and fence != note.fence:
            raise ForeignSideFile(
                self._path,
                f"{side_file.name} beside it belongs to another state of it (a backup was put back?); "
                f"move {side_file.name} away to use the file as it is, or put both back together",
            )

    def note(self, fence: int | None = None) -> None:
        """Leave this process's number, and the fence once the database file holds it."""
        text = json.dumps({"pid": os.getpid(), "fence": fence}).encode()
        os.ftruncate(self._descriptor, 0)
        os.pwrite(self._descriptor, text, 0)

    def release(self) -> None:
        os.close(self._descriptor)


def was_noted(path: Path) -> bool:
    """Has a journal of that path ever been opened to the end? Its lock file says so."""
    try:
        descriptor = os.open(lock_path(path), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    try:
        return _read_note(descriptor) is not None
    finally:
        os.close(descriptor)


def _read_note(descriptor: int) -> Note | None:
    """None where there is none, or none that can be read: it only serves messages and one check."""
    try:
        members = json.loads(os.pread(descriptor, _NOTE_MAX_BYTES, 0))
        fence = members["fence"]
        return Note(int(members["pid"]), None if fence is None else int(fence))
    except (ValueError, TypeError, KeyError):
        return None


def _fence_of_file_alone(path: Path) -> int | None:
    """The fence in the database file without its side file. None where the file alone can't show it."""
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as connection:
            row = connection.execute("SELECT fence FROM instance").fetchone()
            return None if row is None else int(row[0])
    except sqlite3.Error:
        return None


def raise_fence(connection: Connection, now_us: int, above: int = 0) -> int:
    """One more than the last holder's, stored as ours. ``above``: also of a holder that the database does not know."""
    table = schema.instance
    ours = {"holder": f"process {os.getpid()}", "since_us": now_us}
    with connection.begin():
        last = connection.execute(select(table.c.fence).where(table.c.id == _ONLY)).scalar_one_or_none()
        fence = max(last or 0, above) + 1
        if last is None:
            connection.execute(insert(table).values(id=_ONLY, fence=fence, **ours))
        else:
            connection.execute(update(table).where(table.c.id == _ONLY).values(fence=fence, **ours))
        return fence
