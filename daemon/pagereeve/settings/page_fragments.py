"""What the console adds to the settings: files of their own in an included folder ``printers.d``.

A file appears whole or not at all, and durable; nothing that was there before is written over unless it is still what
it was when it was planned, and one that is taken back is gone only while it still holds what was put there.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from glob import has_magic
from pathlib import Path
from typing import Final

from pagereeve.settings.importing import FOLDER, CantImport
from pagereeve.settings.load import HINT
from pagereeve.settings.toml_file import read_table

PATTERN: Final = "*.toml"
ASIDE: Final = ".adding-"
"""How the name of a file begins that is not whole yet: no ``include`` of PATTERN reads it."""
_READABLE: Final = 0o666


def fragment_folder(config: Path) -> Path:
    """The first ``printers.d`` that ``include`` names with all its TOML files and where this process may write, else
    the first one, else the one beside the settings file. Raises BadSettings.
    """
    named = list(_folders(config))
    fallback = named[0] if named else config.absolute().parent / FOLDER
    return next((one for one in named if not write_trouble(one)), fallback)


def _folders(config: Path) -> Iterator[Path]:
    include = read_table(config, HINT).get("include", [])
    for pattern in include if isinstance(include, list) else []:
        if not isinstance(pattern, str):
            continue
        path = Path(os.path.normpath(config.absolute().parent / pattern))
        if path.name == PATTERN and path.parent.name == FOLDER and not has_magic(str(path.parent)):
            yield path.parent


def write_trouble(folder: Path) -> str:
    """Why this process may not write there; "" where it may. A folder that is not there yet is made."""
    there = folder
    while not there.exists() and there != there.parent:
        there = there.parent
    if not there.is_dir():
        return f"{there} is no folder"
    return "" if os.access(there, os.W_OK | os.X_OK) else f"the daemon may not write into {there}"


def bytes_of(target: Path) -> bytes | None:
    """None where it is not there. Raises CantImport."""
    try:
        return target.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise _cant(target, error) from error


def put(target: Path, data: bytes, before: bytes | None, like: os.stat_result) -> None:
    """In the place of ``before`` (None: of nothing), with the mode of ``like``. Raises CantImport: nothing changed."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        written = _written(target.parent, data, like)
        try:
            if before is None:
                os.link(written, target)  # unlike a rename it replaces nothing
            elif target.read_bytes() != before:
                raise CantImport(f"{target} was changed meanwhile, and stays as it is; look at it, and begin again")
            else:
                written.replace(target)
        finally:
            written.unlink(missing_ok=True)
        _sync(target.parent)
    except FileExistsError:
        raise CantImport(f"{target} is there already, and stays as it is; begin again") from None
    except OSError as error:
        raise _cant(target, error) from error


def take_back(target: Path, data: bytes, before: bytes | None, like: os.stat_result) -> None:
    """What ``put`` wrote is as it was before it. Raises CantImport, also where somebody edited it meanwhile."""
    try:
        if target.read_bytes() != data:
            raise CantImport(f"{target} was changed meanwhile, and stays as it is: look at it, for it was refused")
        if before is None:
            target.unlink()
        else:
            written = _written(target.parent, before, like)
            written.replace(target)
        _sync(target.parent)
    except OSError as error:
        why = error.strerror or str(error)
        raise CantImport(f"{target} was refused, and can't be taken away ({why}): remove it yourself") from error


def _written(folder: Path, data: bytes, like: os.stat_result) -> Path:
    handle, name = tempfile.mkstemp(prefix=ASIDE, dir=folder)
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), like.st_mode & _READABLE)
            with suppress(PermissionError):  # only root gives files away
                os.fchown(file.fileno(), like.st_uid, like.st_gid)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return Path(name)


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _cant(target: Path, error: OSError) -> CantImport:
    return CantImport(f"{target} can't be written ({error.strerror or error}); nothing was changed")
