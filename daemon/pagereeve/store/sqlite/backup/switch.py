"""The journal's files give way to others, step by step: whatever ends it between two, a start finds the old or the new.

    1  the write-ahead file of the old journal is brought into it: its database alone is the old state
    2  the folder of what is replaced appears, with second names of the old files
    3  the note of the newest commit goes: a start goes by a note only where there is one
    4  the new database takes the name of the old one (rename(2) is atomic): from here on it is the new state
    5  its note takes its place

The old journal has two names for a moment, between 2 and 4; a folder that a kill left then is removed by the next one.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Final

from pagereeve.store.errors import CantOpen
from pagereeve.store.sqlite.backup.staging import sync_file, sync_folder
from pagereeve.store.sqlite.connections import truncate_wal
from pagereeve.store.sqlite.files import JOURNAL_NAME, newest_path, shm_path, size_bytes, wal_path

REPLACED: Final = "journal.replaced-"
_MODE: Final = 0o700

Step = Callable[[], None]


def switch_steps(journal: Path, new: Path, kept: Path, *, fold: bool) -> Sequence[Step]:
    """The steps in order, each durable when it returns. The caller holds the journal's lock.

    ``new`` is a database that nobody has open, its note beside it, on the file system of ``journal``. ``kept`` is the
    folder that the old files come into. ``fold``: the old journal can be opened; where it can't, its write-ahead file
    is kept as it is. Steps raise OSError or CantOpen.
    """
    steps: list[Step] = []
    if fold:
        steps.append(partial(_fold, journal))
    steps += [
        partial(_keep, journal, kept, fold=fold),
        partial(_remove, newest_path(journal)),
        partial(_rename, new, journal),
        partial(_rename, newest_path(new), newest_path(journal)),
    ]
    return steps


def tidy_after_kill(journal: Path) -> None:
    """A kept folder whose journal is the journal itself, under a second name, is what a kill left."""
    for folder in journal.parent.glob(f"{REPLACED}*"):
        second = folder / JOURNAL_NAME
        if second.exists() and journal.exists() and second.samefile(journal):
            shutil.rmtree(folder)


def _fold(journal: Path) -> None:
    if not size_bytes(wal_path(journal)):
        return
    with closing(sqlite3.connect(f"{journal.as_uri()}?mode=rw", uri=True, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        if not truncate_wal(connection):
            raise CantOpen(journal, "somebody reads it, so its latest commits can't be brought into it; end the reader")
    sync_file(journal)


def _keep(journal: Path, kept: Path, *, fold: bool) -> None:
    old = [one for one in (journal, newest_path(journal)) if one.exists()]
    side = [one for one in (wal_path(journal), shm_path(journal)) if one.exists()]
    if not old and not side:
        return
    kept.mkdir(mode=_MODE)
    for path in old:
        _second_name(path, kept / path.name)
    for path in side:
        if fold and not size_bytes(wal_path(journal)):
            path.unlink()  # nothing is in them any more
        else:
            path.rename(kept / path.name)
    sync_folder(kept)
    sync_folder(journal.parent)


def _second_name(path: Path, other: Path) -> None:
    try:
        os.link(path, other)
    except OSError:
        # A file system without second names (link(2), EPERM).
        shutil.copy2(path, other)
        sync_file(other)


def _remove(path: Path) -> None:
    path.unlink(missing_ok=True)
    sync_folder(path.parent)


def _rename(path: Path, other: Path) -> None:
    path.replace(other)
    sync_folder(other.parent)
