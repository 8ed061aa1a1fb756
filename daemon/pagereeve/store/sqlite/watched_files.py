"""Are the files of an open journal still at their places? What is written into a file that was moved is lost to all.

A file is known by its device and inode. The descriptors that are held keep an inode's number from being given to
another file, and say where a file went.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from pagereeve.ports.journal import JournalUnavailable

PUT_BACK = "put the same file back, and the daemon goes on; or stop it, and restore from a copy"


@dataclass(frozen=True, slots=True)
class _Held:
    path: Path
    descriptor: int
    device: int
    inode: int

    @classmethod
    def of(cls, path: Path) -> _Held:
        # O_PATH (open(2)): closing any other descriptor of the database would end SQLite's locks on it
        # (sqlite.org/howtocorrupt.html, section 2.2).
        descriptor = os.open(path, os.O_PATH | os.O_CLOEXEC)
        found = os.fstat(descriptor)
        return cls(path, descriptor, found.st_dev, found.st_ino)

    def trouble(self) -> str:
        try:
            found = os.stat(self.path)  # noqa: PTH116 - before each acknowledgement: half the time of pathlib's
        except FileNotFoundError:
            return f"{self.path} {self._went()}"
        except OSError as error:
            return f"{self.path} can't be looked at: {error.strerror}"
        if found.st_ino == self.inode and found.st_dev == self.device:
            return ""
        return f"{self.path} {self._went()}, and another file is in its place"

    def _went(self) -> str:
        if os.fstat(self.descriptor).st_nlink == 0:
            return "was deleted"
        return f"was moved to {Path(f'/proc/self/fd/{self.descriptor}').readlink()}"


class WatchedFiles:
    """Raises OSError where one of them is missing at the beginning."""

    def __init__(self, paths: Iterable[Path]) -> None:
        self._files: list[_Held] = []
        self._stack = ExitStack()
        with ExitStack() as opening:
            for path in paths:
                held = _Held.of(path)
                opening.callback(os.close, held.descriptor)
                self._files.append(held)
            self._stack = opening.pop_all()

    def trouble(self) -> str:
        """Empty while each file is where it was; else what befell the first that is not, and what to do."""
        for held in self._files:
            why = held.trouble()
            if why:
                return f"{why}; {PUT_BACK}"
        return ""

    def require(self) -> None:
        """Raises JournalUnavailable (``files-gone``) unless each file is where it was."""
        why = self.trouble()
        if why:
            raise JournalUnavailable(why, "files-gone")

    def close(self) -> None:
        self._stack.close()
