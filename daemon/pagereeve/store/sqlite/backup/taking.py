"""Take a backup beside a running daemon: one moment of the journal, copied in small steps, looked at, then named.

The connection holds a read transaction from before the first step to the comparison: SQLite's backup then copies that
one moment, and does not begin again when somebody commits (sqlite.org/backup.html; ``sqlite3_backup_step`` uses the
transaction that its source has). In WAL mode a reader holds up no commit; only the write-ahead file can't be cut to
nothing meanwhile.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Final

from pagereeve.ports.clock import Clock
from pagereeve.store.errors import CantOpen, LostCommits, NotAJournal
from pagereeve.store.newest import Newest, digest_of, read_newest
from pagereeve.store.sqlite.backup.container import Manifest, seal
from pagereeve.store.sqlite.backup.errors import NotBackedUp
from pagereeve.store.sqlite.backup.staging import staging, sync_file, sync_folder
from pagereeve.store.sqlite.backup.state import JournalState, differences, state_of
from pagereeve.store.sqlite.connections import ANY_TEXT, BUSY_TIMEOUT_MS
from pagereeve.store.sqlite.files import JOURNAL_NAME, newest_path
from pagereeve.store.sqlite.upgrade import MARGIN_BYTES, FreeBytes, free_bytes

STEP_PAGES: Final = 256
"""1 MiB: between two steps everybody else has the disk."""
_ROW: Final = "SELECT printer, seq, body, digest FROM fact WHERE rowid = ?"
_TROUBLES_SHOWN: Final = 3

OnStep = Callable[[int, int], None]
"""(pages left, pages in all), after each step."""

KeyFor = Callable[[str], bytes | None]
"""From the journal's key_id to the content of the key's file, where it is to be in the backup. May raise."""


def take_backup(
    journal: Path,
    target: Path,
    clock: Clock,
    *,
    key: KeyFor = lambda _key_id: None,
    replace: bool = False,
    free: FreeBytes = free_bytes,
    on_step: OnStep = lambda _left, _all: None,
) -> Manifest:
    """Copy the journal at ``journal`` to ``target``, with what ``key`` gives.

    ``target`` appears only once the copy was opened, compared with the source and is durable; what stood there before
    stays until then, and is replaced only if ``replace``. Raises NotBackedUp, BackupTrouble or a kind of CantOpen.
    """
    journal, target = journal.resolve(), target.absolute()
    if not journal.is_file():
        raise CantOpen(journal, "there is no such file; the daemon creates it at its first start")
    _refuse_place(journal, target, replace=replace)
    try:
        with staging(target.with_name(f".{target.name}.partial")) as folder:
            copy = folder / JOURNAL_NAME
            made_us, state = _copied(journal, copy, target, clock, free, on_step)
            _verify(copy, target, state)
            manifest = seal(copy, made_us, state, key(state.key_id))
            _name(copy, target, replace=replace)
            return manifest
    except OSError as error:
        raise NotBackedUp(target, f"can't be written: {error.strerror or error}") from error


def _refuse_place(journal: Path, target: Path, *, replace: bool) -> None:
    if not target.parent.is_dir():
        raise NotBackedUp(target, f"there is no folder {target.parent}; make it, or name another place")
    if target.is_dir():
        raise NotBackedUp(target, "is a folder; name a file in it")
    if target.name.startswith(journal.stem) and target.parent == journal.parent:
        raise NotBackedUp(target, "lies among the journal's own files; name another folder, best on another disk")
    if os.path.lexists(target) and not replace:
        raise NotBackedUp(target, "is there already; name another file, or say --replace")


def _copied(
    journal: Path, copy: Path, target: Path, clock: Clock, free: FreeBytes, on_step: OnStep
) -> tuple[int, JournalState]:
    """When the moment was, and what the source held then."""
    # Read first: all that it says was acknowledged must be in the moment that begins afterwards.
    try:
        noted = read_newest(newest_path(journal))
    except OSError as error:
        raise CantOpen(journal, f"{newest_path(journal).name} can't be read: {error.strerror}") from error
    try:
        with closing(_source(journal)) as source:
            made_us = clock.now_us()
            _refuse_full_disk(source, target, free)
            _refuse_loss(source, journal, None if noted is None else noted.newest)
            os.close(os.open(copy, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
            _copy(source, copy, target, on_step)
            return made_us, state_of(source)
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT}:
            raise NotAJournal(journal, f"{error}; a copy of it would be no better") from error
        raise CantOpen(journal, f"can't be backed up: {error}") from error


def _source(journal: Path) -> sqlite3.Connection:
    """One moment of it; texts are read whatever they hold."""
    connection = sqlite3.connect(f"{journal.as_uri()}?mode=rw", uri=True, isolation_level=None)
    try:
        connection.text_factory = ANY_TEXT
        connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        connection.execute("PRAGMA query_only = ON")
        connection.execute("BEGIN")
        connection.execute("SELECT count(*) FROM fact LIMIT 0").fetchone()
        connection.execute("SELECT fence FROM instance").fetchone()
    except BaseException:
        connection.close()
        raise
    return connection


def _refuse_full_disk(source: sqlite3.Connection, target: Path, free: FreeBytes) -> None:
    pages, page_bytes = (int(source.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("page_count", "page_size"))
    need, there = pages * page_bytes + MARGIN_BYTES, free(target.parent)
    if there < need:
        raise NotBackedUp(target, f"needs {need} bytes free in its folder; {there} are. Nothing was written")


def _refuse_loss(source: sqlite3.Connection, journal: Path, noted: Newest | None) -> None:
    """A copy of a journal that lacks what was acknowledged would look like a good one. Raises LostCommits."""
    if noted is None or not noted.sequence:
        return
    row = source.execute(_ROW, (noted.sequence,)).fetchone()
    if row is None or digest_of(*row) != noted.digest:
        raise LostCommits(
            journal,
            f"fact {noted.sequence}, which {newest_path(journal).name} beside it says was acknowledged, is not in it; "
            "put all its files back as they were, or start the daemon once with --accept-loss, then back it up",
        )


def _copy(source: sqlite3.Connection, copy: Path, target: Path, on_step: OnStep) -> None:
    try:
        with closing(sqlite3.connect(copy, isolation_level=None)) as into:
            # It has no name yet: whatever is lost of it is made anew. It is synced as a whole at the end.
            into.execute("PRAGMA synchronous = OFF")
            source.backup(into, pages=STEP_PAGES, progress=lambda _status, left, whole: on_step(left, whole))
            # Of the source it has that it is in WAL mode; alone, it is one plain file.
            into.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT}:
            raise
        raise NotBackedUp(target, f"can't be written: {error}; nothing is left of it") from error
    sync_file(copy)


def _verify(copy: Path, target: Path, state: JournalState) -> None:
    """Open the copy, and compare it with what the source held. Raises NotBackedUp."""
    troubles = troubles_of(copy, state)
    if troubles:
        raise NotBackedUp(
            target, f"the copy is not what the journal was ({'; '.join(troubles[:_TROUBLES_SHOWN])}); look at the disks"
        )


def troubles_of(database: Path, wanted: JournalState) -> list[str]:
    """What is wrong with a database that nobody has open, in words; empty where it is whole and as ``wanted``."""
    try:
        with closing(sqlite3.connect(f"{database.as_uri()}?mode=ro&immutable=1", uri=True)) as connection:
            connection.text_factory = ANY_TEXT
            connection.execute("BEGIN")
            found = differences(wanted, state_of(connection))
            checked = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(10)")]
    except (sqlite3.Error, TypeError, ValueError) as error:
        return [f"it can't be read ({error})"]
    return found + ([] if checked == ["ok"] else checked)


def _name(copy: Path, target: Path, *, replace: bool) -> None:
    if replace:
        copy.replace(target)
    else:
        try:
            os.link(copy, target)
        except FileExistsError as error:
            raise NotBackedUp(target, "is there already; name another file, or say --replace") from error
    sync_folder(target.parent)
