"""Before a journal is opened for writing: is it all there? Read only: a refused start leaves the files as they are."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Final

from pagereeve.domain.values.amounts import amount, form
from pagereeve.store.errors import CantOpen, LostCommits, MissingJournal, NotAJournal
from pagereeve.store.newest import Found, Newest, NewestSeen, compared, digest_of, read_newest
from pagereeve.store.sqlite.connections import ANY_TEXT
from pagereeve.store.sqlite.files import lock_path, newest_path, size_bytes, wal_path
from pagereeve.store.sqlite.lock import was_noted

_ROW: Final = "SELECT printer, seq, body, digest FROM fact WHERE rowid = ?"
_NO_TABLE: Final = "no such table"


def require_journal(path: Path, *, new: bool, beside: tuple[Path, ...]) -> None:
    """A journal that is gone is not made anew by itself; nor is one made over what belongs to another.

    ``beside`` are files that only a running journal brings about. Raises MissingJournal.
    """
    if path.exists():
        if new:
            raise MissingJournal(path, "there is one already; start without --new")
        return
    if new:
        if size_bytes(wal_path(path)):
            raise MissingJournal(path, f"{wal_path(path).name} of another one lies beside it; move it away first")
        return
    traces = [*beside, newest_path(path), wal_path(path)]
    found = [str(one) for one in traces if one.exists()]
    if was_noted(path):
        found.append(str(lock_path(path)))
    if found:
        raise MissingJournal(
            path,
            f"it is gone, though {', '.join(found)} shows that there was one; put it back, or start once with --new, "
            "which begins an empty one",
        )


def examine(path: Path, *, accept_loss: bool, new: bool) -> Found:
    """Compare the journal with what was noted of its newest commit.

    Raises LostCommits where it holds less, or something else, unless ``accept_loss``; NotAJournal; CantOpen.
    """
    note = newest_path(path)
    try:
        seen = read_newest(note)
    except OSError as error:
        raise CantOpen(path, f"{note.name} can't be read: {error.strerror}") from error
    if seen is None:
        return Found(None)
    found = _none_of(seen) if new else _compared(path, seen)
    if found.loss is not None and not (accept_loss or new):
        raise LostCommits(path, _words(note, found))
    return found


def loss_of(path: Path) -> str:
    """What the journal lacks of what was acknowledged, beside a daemon too: in words, empty where it lacks nothing."""
    try:
        found = examine(path, accept_loss=True, new=False)
    except CantOpen as error:
        return error.problem
    return "" if found.loss is None else _words(newest_path(path), found)


def _none_of(seen: NewestSeen) -> Found:
    """A new journal in the place of one that is gone."""
    return Found(seen, "no-journal", 0 if seen.newest is None else seen.newest.sequence)


def _compared(path: Path, seen: NewestSeen) -> Found:
    stored = _stored(path)
    return compared(seen, stored.fence, stored.sequence, partial(_digest_at, path))


def _words(note: Path, found: Found) -> str:
    match found.loss:
        case "unreadable-note":
            what = f"{note.name} beside it can't be read, so nobody knows whether it is all there"
        case "fewer-facts":
            missing = found.acknowledged - found.stored
            of_all = f"{missing} of {amount(found.acknowledged, 'acknowledged fact')}"
            what = f"{of_all} {form(missing, 'is', 'are')} missing, as {note.name} beside it says"
        case "older-copy":
            what = f"it is an older copy than {note.name} beside it says, from before it was last opened"
        case _:
            what = f"fact {found.acknowledged} in it is not the one that was acknowledged, as {note.name} says"
    return (
        f"{what}. Was its write-ahead file removed or damaged, or a copy put back? Put all files back as they were; or "
        "start once with --accept-loss, which goes on without what is missing, and records that"
    )


def _stored(path: Path) -> Newest:
    try:
        with closing(_connected(path)) as connection:
            fence = connection.execute("SELECT max(fence) FROM instance").fetchone()[0]
            sequence = connection.execute("SELECT max(rowid) FROM fact").fetchone()[0]
            return Newest(fence or 0, sequence or 0)
    except sqlite3.Error as error:
        if _NO_TABLE in str(error):
            return Newest()
        raise _cant_read(path, error) from error


def _digest_at(path: Path, sequence: int) -> str | None:
    try:
        with closing(_connected(path)) as connection:
            # A damaged body may be no text.
            connection.text_factory = ANY_TEXT
            row = connection.execute(_ROW, (sequence,)).fetchone()
    except sqlite3.Error as error:
        raise _cant_read(path, error) from error
    return None if row is None else digest_of(*row)


def _cant_read(path: Path, error: sqlite3.Error) -> CantOpen:
    if error.sqlite_errorcode & 0xFF in {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT}:
        return NotAJournal(path, f"{error}; name another file, or restore it from a copy")
    return CantOpen(path, f"{error}")


def _connected(path: Path) -> sqlite3.Connection:
    """One that changes no file: it never brings the write-ahead file in, nor deletes it."""
    how = "mode=ro" if size_bytes(wal_path(path)) else "mode=ro&immutable=1"
    return sqlite3.connect(f"{path.as_uri()}?{how}", uri=True)
