"""What can be wrong with the journal, beside ports.journal.JournalUnavailable.

PagereeveError
├── JournalUnavailable   (ports.journal) nothing was stored, try again later
├── Unstorable           the database takes no such value: trying again brings nothing
└── CantOpen             the journal file can't be used: says why and what to do
    ├── InUse            another process holds it
    ├── NewerSchema      a newer program wrote it
    ├── NotAJournal      the file is something else, or damaged
    ├── NoSpace          too little free disk space to change its tables safely
    └── ForeignSideFile  the write-ahead file beside it was written for another state of it
"""

from __future__ import annotations

from pathlib import Path

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.ports.journal import JournalUnavailable


class Unstorable(PagereeveError):
    """The database refuses a value of this one request; all others of its group are stored."""


class CantOpen(PagereeveError):
    """``path`` can't be opened as a journal; nothing in it was changed."""

    def __init__(self, path: Path, problem: str) -> None:
        super().__init__(f"journal {path}: {problem}")
        self.path = path
        self.problem = problem


class InUse(CantOpen): ...


class NewerSchema(CantOpen): ...


class NotAJournal(CantOpen): ...


class NoSpace(CantOpen): ...


class ForeignSideFile(CantOpen): ...


def unavailable(path: Path, cause: BaseException) -> JournalUnavailable:
    """A JournalUnavailable of its own for each caller: a shared one would mix up their tracebacks."""
    reason = getattr(cause, "orig", None) or cause
    error = JournalUnavailable(f"nothing was stored in journal {path}: {reason}; try again later")
    error.__cause__ = cause
    return error
