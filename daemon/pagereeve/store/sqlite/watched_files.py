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

from pagereeve.ports.journal import Hindrance, JournalUnavailable
from pagereeve.store.errors import hindrance_of

PUT_BACK = "put the same file back, and the daemon goes on; or stop it, and restore from a copy"


@dataclass(frozen=True, slots=True)
class Trouble:
    """What befell a file and what to do, and how that hinders the journal."""

    text: str
    hindrance: Hindrance = "files-gone"


@dataclass(frozen=True, slots=True)
class _Held:
    path: str
    descriptor: int
    device: int
    inode: int

    @classmethod
    def of(cls, path: Path) -> _Held:
        # O_PATH (open(2)): closing any other descriptor of the database would end SQLite's locks on it
        # (sqlite.org/howtocorrupt.html, section 2.2).
        descriptor = os.open(path, os.O_PATH | os.O_CLOEXEC)
        found = os.fstat(descriptor)
        return cls(str(path), descriptor, found.st_dev, found.st_ino)

    def trouble(self) -> Trouble | None:
        try:
            found = os.stat(self.path)  # noqa: PTH116 - before each acknowledgement, and pathlib takes twice as long
        except FileNotFoundError:
            return Trouble(f"{self.path} {self._went()}; {PUT_BACK}")
        except OSError as error:
            # Not that it is gone: nobody can say so.
            return Trouble(f"{self.path} can't be looked at: {error.strerror}", hindrance_of(error))
        if found.st_ino == self.inode and found.st_dev == self.device:
            return None
        return Trouble(f"{self.path} {self._went()}, and another file is in its place; {PUT_BACK}")

    def _went(self) -> str:
        if os.fstat(self.descriptor).st_nlink == 0:
            return "was deleted"
        return f"was moved to {Path(f'/proc/self/fd/{self.descriptor}').readlink()}"


def _held(path: Path, opening: ExitStack) -> _Held:
    held = _Held.of(path)
    opening.callback(os.close, held.descriptor)
    return held


class WatchedFiles:
    """``vital`` are those in which an acknowledged event lies, ``beside`` what others go by.

    Raises OSError where one of them is missing at the beginning.
    """

    def __init__(self, vital: Iterable[Path], beside: Iterable[Path] = ()) -> None:
        with ExitStack() as opening:
            self._vital = [_held(path, opening) for path in vital]
            self._all = [*self._vital, *(_held(path, opening) for path in beside)]
            self._stack = opening.pop_all()
        self._gone = False

    def trouble(self) -> Trouble | None:
        """None while each file is where it was; else what befell the first that is not."""
        return self._look(self._all)

    def require_if_gone(self) -> None:
        """Raises as ``require`` does where a file was gone the last time; costs nothing where none was."""
        if self._gone:
            _require(self._look(self._all))

    def require(self) -> None:
        """Raises JournalUnavailable unless each vital file is where it was."""
        _require(self._look(self._vital))

    def _look(self, files: Iterable[_Held]) -> Trouble | None:
        for held in files:
            trouble = held.trouble()
            if trouble is not None:
                self._gone = True
                return trouble
        if files is self._all:
            self._gone = False
        return None

    def close(self) -> None:
        self._stack.close()


def _require(trouble: Trouble | None) -> None:
    if trouble is not None:
        raise JournalUnavailable(trouble.text, trouble.hindrance)
