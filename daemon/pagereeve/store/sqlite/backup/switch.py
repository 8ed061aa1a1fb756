"""The journal's files give way to others, step by step: whatever ends it between two, a start finds the old or the new.

    1  the write-ahead file of the old journal is brought into it: its database alone is the old state
    2  the old files get second names, in a folder beside the new ones
    3  the note of the newest commit goes: a start goes by a note only where there is one
    4  the new database takes the name of the old one (rename(2) is atomic): from here on it is the new state
    5  its note takes its place
    6  the folder with the old files gets a name of its own

The old journal has two names between 2 and 4. What a kill leaves there is put back by the next restore; after 4 it is
the old journal alone, and is kept.
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

OLD: Final = "replaced"
_MODE: Final = 0o700

Step = Callable[[], None]


def switch_steps(journal: Path, new: Path, kept: Path, *, fold: bool) -> Sequence[Step]:
    """The steps in order, each durable when it returns. The caller holds the journal's lock.

    ``new`` is a database that nobody has open, its note beside it, on the file system of ``journal``. ``kept`` is the
    folder that the old files are in afterwards, if there were any. ``fold``: the old journal can be opened; where it
    can't, its write-ahead file is kept as it is. Steps raise OSError or CantOpen.
    """
    old = new.with_name(OLD)
    steps: list[Step] = []
    if fold:
        steps.append(partial(_fold, journal))
    steps += [
        partial(_keep, journal, old, fold=fold),
        partial(_remove, newest_path(journal)),
        partial(_rename, new, journal),
        partial(_rename, newest_path(new), newest_path(journal)),
        partial(_show, old, kept),
    ]
    return steps


def rescue(journal: Path, staging: Path, kept: Path) -> None:
    """What a switch that did not come to its end left in ``staging`` of the old journal.

    Before the fourth step it is put back, later it becomes ``kept``. Raises OSError.
    """
    old = staging / OLD
    second = old / JOURNAL_NAME
    if not old.is_dir():
        return
    if not (second.exists() and journal.exists() and second.samefile(journal)):
        _show(old, kept)
        return
    for path in (newest_path(journal), *_side_files(journal)):
        if (old / path.name).exists() and not path.exists():
            _rename(old / path.name, path)


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
    side = [one for one in _side_files(journal) if one.exists()]
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


def _side_files(journal: Path) -> tuple[Path, Path]:
    return wal_path(journal), shm_path(journal)


def _second_name(path: Path, other: Path) -> None:
    try:
        os.link(path, other)
    except OSError:
        # A file system without second names (link(2), EPERM).
        shutil.copy2(path, other)
        sync_file(other)


def _show(old: Path, kept: Path) -> None:
    if old.exists():
        old.rename(kept)
        sync_folder(kept.parent)


def _remove(path: Path) -> None:
    path.unlink(missing_ok=True)
    sync_folder(path.parent)


def _rename(path: Path, other: Path) -> None:
    path.replace(other)
    sync_folder(other.parent)
