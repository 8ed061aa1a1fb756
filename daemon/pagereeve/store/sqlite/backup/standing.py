"""What a data folder holds that a backup lacks. Nothing in the folder is changed by looking."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from pagereeve.store.errors import CantOpen, ForeignSideFile
from pagereeve.store.newest import Newest, digest_of, read_newest
from pagereeve.store.sqlite.connections import ANY_TEXT
from pagereeve.store.sqlite.files import newest_path, size_bytes, wal_path
from pagereeve.store.sqlite.lock import InstanceLock

_LATEST: Final = "SELECT rowid, printer, seq, body, digest FROM fact ORDER BY rowid DESC LIMIT 1"
_ROW: Final = "SELECT printer, seq, body, digest FROM fact WHERE rowid = ?"
# By the digest of a row where it has one: a body that was damaged is still the row that was acknowledged.
_LACKING: Final = """
    SELECT count(*) FROM main.fact AS here LEFT JOIN other.fact AS there
    ON there.printer = here.printer AND there.seq = here.seq AND coalesce(there.digest, there.body) =
    coalesce(here.digest, here.body) WHERE there.seq IS NULL
"""
_NO_TABLE: Final = "no such table"
_DAMAGED: Final = frozenset({sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT})


@dataclass(frozen=True, slots=True)
class Standing:
    """``acknowledged`` is the newest fact that the folder knows of; None where it knows of none, or can't say.

    ``facts`` counts those of its journal, ``lacking`` those that the backup does not hold. ``fence`` is the highest
    known. ``unreadable`` says why nobody can tell what was acknowledged, or what else is in the journal; "" where
    somebody can. ``opens``: the journal itself can be opened, with its write-ahead file.
    """

    acknowledged: Newest | None = None
    facts: int = 0
    lacking: int = 0
    fence: int = 0
    unreadable: str = ""
    opens: bool = False

    @property
    def would_lose(self) -> bool:
        return bool(self.lacking or self.unreadable)


def standing_of(journal: Path, lock: InstanceLock, backup: Path) -> Standing:
    """Of the data folder with ``journal``, beside the database ``backup``. Raises CantOpen."""
    noted, unreadable = _noted(journal)
    seen = _look(journal, lock, backup)
    newest = max((seen.newest, noted or Newest()), key=lambda one: one.sequence)
    return Standing(
        acknowledged=newest if newest.sequence else None,
        facts=seen.facts,
        lacking=max(seen.lacking, _lacking_of_note(newest, backup)),
        fence=max(seen.newest.fence, 0 if noted is None else noted.fence),
        unreadable=seen.unreadable or unreadable,
        opens=seen.opens,
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    newest: Newest = field(default_factory=Newest)
    facts: int = 0
    lacking: int = 0
    unreadable: str = ""
    opens: bool = False


def _look(journal: Path, lock: InstanceLock, backup: Path) -> _Seen:
    if not journal.exists():
        orphaned = size_bytes(wal_path(journal))
        return _Seen(unreadable=f"{wal_path(journal).name} is there without its journal" if orphaned else "")
    try:
        lock.refuse_foreign_side_file(wal_path(journal))
        return _compared(journal, backup)
    except ForeignSideFile as error:
        return _Seen(unreadable=error.problem)
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF not in _DAMAGED and _NO_TABLE not in str(error):
            raise CantOpen(journal, f"{error}") from error
        return _Seen(unreadable=f"{journal.name}: {error}")


def _noted(journal: Path) -> tuple[Newest | None, str]:
    """What the note says, and why it can't be read."""
    path = newest_path(journal)
    try:
        seen = read_newest(path)
    except OSError as error:
        raise CantOpen(journal, f"{path.name} can't be read: {error.strerror}") from error
    if seen is None:
        return None, ""
    return seen.newest, "" if seen.newest is not None else f"{path.name} can't be read"


def _compared(journal: Path, backup: Path) -> _Seen:
    # One that changes no file: it never brings the write-ahead file in, nor deletes it.
    how = "mode=ro" if size_bytes(wal_path(journal)) else "mode=ro&immutable=1"
    with closing(sqlite3.connect(f"{journal.as_uri()}?{how}", uri=True, isolation_level=None)) as connection:
        connection.text_factory = ANY_TEXT
        connection.execute("ATTACH ? AS other", (f"{backup.as_uri()}?mode=ro&immutable=1",))
        fence = connection.execute("SELECT max(fence) FROM main.instance").fetchone()[0] or 0
        row = connection.execute(_LATEST).fetchone()
        newest = Newest(fence) if row is None else Newest(fence, row[0], digest_of(*row[1:]))
        facts = connection.execute("SELECT count(*) FROM main.fact").fetchone()[0]
        return _Seen(newest, facts, connection.execute(_LACKING).fetchone()[0], opens=True)


def _lacking_of_note(newest: Newest, backup: Path) -> int:
    """How many acknowledged facts the backup lacks at least, by the newest of them alone."""
    if not newest.sequence:
        return 0
    with closing(sqlite3.connect(f"{backup.as_uri()}?mode=ro&immutable=1", uri=True)) as connection:
        connection.text_factory = ANY_TEXT
        last = connection.execute("SELECT max(rowid) FROM fact").fetchone()[0] or 0
        row = connection.execute(_ROW, (newest.sequence,)).fetchone()
    if row is None:
        return max(1, newest.sequence - last)
    return 0 if digest_of(*row) == newest.digest else 1
