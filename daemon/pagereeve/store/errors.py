"""What can be wrong with the journal, beside ports.journal.JournalUnavailable.

PagereeveError
├── JournalUnavailable   (ports.journal) nothing was stored, try again later
│   └── Outdated         a later version shut this program out; never again
├── Unstorable           the database takes no such value: trying again brings nothing
├── NotMoved             a journal was not moved into a database, or not to the end
└── CantOpen             the journal file can't be used: says why and what to do
    ├── InUse            another process holds it
    ├── NewerSchema      a newer program wrote it
    ├── OlderAtWork      a program that is two versions older works with it
    ├── NotAJournal      the file is something else, or damaged
    │   └── NoJournalYet it is empty: no daemon ever ran
    ├── NoSpace          too little free disk space to change its tables safely
    ├── ForeignSideFile  the write-ahead file beside it was written for another state of it
    ├── MissingJournal   it is gone, and what lies beside it shows that there was one
    ├── Away             its database does not answer now
    ├── DamagedSeal      nothing could be sealed in it any more
    ├── MoveUnfinished   a journal is being moved into it, and is not all there yet
    └── LostCommits      it holds less than was acknowledged
"""

from __future__ import annotations

import errno
import socket
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.ports.journal import Hindrance, JournalUnavailable

# SQLite says ENOSPC as SQLITE_FULL, and every other error of a write as SQLITE_IOERR (sqlite.org/rescode.html). Where
# the index of the write-ahead file can't grow, it says so by one of the latter.
_HINDRANCES: Final[Mapping[int, Hindrance]] = {
    sqlite3.SQLITE_FULL: "no-space",
    sqlite3.SQLITE_IOERR: "io-error",
    sqlite3.SQLITE_READONLY: "read-only",
    sqlite3.SQLITE_BUSY: "busy",
    sqlite3.SQLITE_LOCKED: "busy",
}
_OF_SYSTEM: Final[Mapping[int, Hindrance]] = {
    errno.ENOSPC: "no-space",
    errno.EDQUOT: "no-space",
    errno.EFBIG: "no-space",
    errno.EIO: "io-error",
    errno.ENXIO: "io-error",
    errno.ENODEV: "io-error",
    errno.EREMOTEIO: "io-error",
    errno.EROFS: "read-only",
    errno.ESTALE: "files-gone",
}
# What a database server says: SQLSTATE (postgresql.org/docs/15/errcodes-appendix.html).
_OF_SERVER: Final[Mapping[str, Hindrance]] = {
    "53100": "no-space",
    "58030": "io-error",
    "25006": "read-only",
    "55P03": "busy",
    "57014": "busy",
}
# Of the network. A connection that was refused or reset is a ConnectionError.
_UNREACHED: Final = frozenset({errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ENETDOWN, errno.EHOSTDOWN, errno.ETIMEDOUT})
# The server is shut down, crashed, or just begins.
_ENDING: Final = frozenset({"57P01", "57P02", "57P03"})
_PRIMARY: Final = 0xFF


class Unstorable(PagereeveError):
    """The database refuses a value of this one request; all others of its group are stored."""


class Outdated(JournalUnavailable):
    """A later version shut this program out of a database while it ran: it must end."""

    def __init__(self, name: str, problem: str) -> None:
        super().__init__(f"journal {name} {problem}", "outdated")
        self.name = name
        self.problem = problem


class CantOpen(PagereeveError):
    """``path`` can't be opened as a journal; nothing in it was changed."""

    def __init__(self, path: Path | str, problem: str) -> None:
        super().__init__(f"journal {path}: {problem}")
        self.path = path
        self.problem = problem


class InUse(CantOpen): ...


class NewerSchema(CantOpen): ...


class OlderAtWork(CantOpen): ...


class NotAJournal(CantOpen): ...


class NoJournalYet(NotAJournal): ...


class NoSpace(CantOpen): ...


class ForeignSideFile(CantOpen): ...


class MissingJournal(CantOpen): ...


class LostCommits(CantOpen): ...


class DamagedSeal(CantOpen): ...


class MoveUnfinished(CantOpen): ...


class NotMoved(PagereeveError):
    """The journal that was to be moved is as it was; until the move is finished nobody opens the database."""


class Away(CantOpen): ...


def cant_open(name: str, error: BaseException) -> CantOpen:
    """Of a database: does it not answer, or does it say why it can't be used?"""
    reason = getattr(error, "orig", None) or error
    return (Away if is_away(reason) else CantOpen)(name, str(reason))


def not_let_in(name: str, error: JournalUnavailable, who: str) -> CantOpen:
    """Of a database in which no session that writes was begun. ``who`` is in the way, unless we are outdated."""
    return NewerSchema(name, error.problem) if isinstance(error, Outdated) else InUse(name, who)


def unavailable(path: Path | str, cause: BaseException) -> JournalUnavailable:
    """A JournalUnavailable of its own for each caller: a shared one would mix up their tracebacks."""
    reason = getattr(cause, "orig", None) or cause
    if isinstance(reason, Outdated):
        return Outdated(reason.name, reason.problem)
    hindrance = hindrance_of(reason)
    if hindrance == "other" and is_away(cause):
        hindrance = "away"
    error = JournalUnavailable(f"nothing is acknowledged by journal {path}: {reason}; try again later", hindrance)
    error.__cause__ = cause
    return error


def is_away(error: BaseException) -> bool:
    """Does it say that a database's server can't be reached, or that the connection to it is gone? No file says so."""
    if isinstance(error, ConnectionError | TimeoutError | socket.gaierror):
        return True
    if isinstance(error, OSError):
        return error.errno in _UNREACHED
    state = str(getattr(error, "sqlstate", None) or "")
    return state[:2] == "08" or state in _ENDING or bool(getattr(error, "connection_invalidated", False))


def hindrance_of(reason: BaseException) -> Hindrance:
    """What an error of the driver, of the system or of our own says of the disk."""
    if isinstance(reason, JournalUnavailable):
        return reason.hindrance
    if is_away(reason):
        return "away"
    if isinstance(reason, OSError):
        return _OF_SYSTEM.get(reason.errno or 0, "other")
    code = getattr(reason, "sqlite_errorcode", None)
    if not isinstance(code, int):
        return _OF_SERVER.get(str(getattr(reason, "sqlstate", None)), "other")
    if code == sqlite3.SQLITE_IOERR_SHMSIZE:
        return "no-space"
    return _HINDRANCES.get(code & _PRIMARY, "other")
