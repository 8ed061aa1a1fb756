"""The data folder: nobody else's to look into, whatever the umask says."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from pagereeve.store.sqlite.files import JOURNAL_NAME

FOLDER_MODE: Final = 0o700
FILE_MODE: Final = 0o600
_OTHERS: Final = stat.S_IRWXG | stat.S_IRWXO


def prepare_folder(folder: Path) -> Iterator[str]:
    """Make the folder, durably, and close our own files in it to others; yields what others can still look into.

    A folder that is there keeps its mode: it may be one that others need too, named by mistake or on purpose.
    """
    if not folder.exists():
        folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=FOLDER_MODE, exist_ok=True)
        folder.chmod(FOLDER_MODE)  # an umask may have taken even our own rights
        _sync(folder.parent)
    elif (mode := stat.S_IMODE(folder.stat().st_mode)) & _OTHERS:
        yield f"the data folder {folder} is open to other users (mode {mode:04o}); chmod 700 {folder}"
    for path in sorted(folder.glob(f"{JOURNAL_NAME}*")):
        try:
            if path.is_file() and path.stat().st_mode & _OTHERS:
                path.chmod(FILE_MODE)
        except OSError as error:
            yield f"{path} is open to other users and can't be closed ({error.strerror}); chmod 600 {path}"


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
