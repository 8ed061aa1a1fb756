"""What can be wrong with a backup. Each says which file, what, and what to do; nothing was changed."""

from __future__ import annotations

from pathlib import Path

from pagereeve.domain.values.errors import PagereeveError


class BackupTrouble(PagereeveError):
    """``path`` is the backup, or the file that it should have become."""

    def __init__(self, path: Path, problem: str) -> None:
        super().__init__(f"backup {path}: {problem}")
        self.path = path
        self.problem = problem


class NotBackedUp(BackupTrouble):
    """No backup was made; what stood under that name before stands there still."""


class BadBackup(BackupTrouble):
    """The file is none, or is not what was written."""


class WouldLose(BackupTrouble):
    """The data folder holds acknowledged facts that the backup lacks."""
