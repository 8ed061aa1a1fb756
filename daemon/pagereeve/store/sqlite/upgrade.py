"""Bringing a database to the tables of this program, in one transaction, or refusing it unharmed.

Alembic is run from inside the package: it works from an installed wheel, with no file of settings. It is imported only
where it is needed: an up-to-date journal opens without it, and it takes a third of a second to import.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from sqlalchemy import Connection

from pagereeve.store.errors import NewerSchema, NoSpace
from pagereeve.store.sql import tables as schema
from pagereeve.store.sqlite.files import size_bytes, wal_path
from pagereeve.store.sqlite.revision import current_revision

if TYPE_CHECKING:
    from alembic.config import Config

FreeBytes = Callable[[Path], int]
Phase = Literal["expand", "contract"]
PHASES: Final = ("expand", "contract")

MARGIN_BYTES: Final = 16 * 2**20
"""Left over for the daemon to work with after a migration."""


def free_bytes(folder: Path) -> int:
    return shutil.disk_usage(folder).free


def upgrade(connection: Connection, path: Path, free: FreeBytes = free_bytes) -> None:
    """Raises NewerSchema, NotAJournal or NoSpace; the file is then as it was."""
    if current_revision(connection, path) == schema.REVISION:
        return
    refuse_full_disk(path, free)
    migrate(connection, path)


def refuse_full_disk(path: Path, free: FreeBytes = free_bytes) -> None:
    """Raises NoSpace. What is rebuilt exists twice until the commit, and passes through the write-ahead file."""
    need = 2 * (size_bytes(path) + size_bytes(wal_path(path))) + MARGIN_BYTES
    there = free(path.parent)
    if there < need:
        raise NoSpace(path, f"its tables must be made anew, which needs {need} bytes free in its folder; {there} are")


def config() -> Config:
    from alembic.config import Config  # noqa: PLC0415 - see above

    settings = Config()
    settings.set_main_option("script_location", str(Path(__file__).parents[1] / "migrations").replace("%", "%%"))
    settings.set_main_option("path_separator", "os")
    return settings


def migrate(connection: Connection, path: Path) -> None:
    """To the newest revision, all steps in one transaction. Raises NewerSchema for one that is not ours."""
    from alembic import command  # noqa: PLC0415 - see above
    from alembic.script import ScriptDirectory  # noqa: PLC0415 - see above

    settings = config()
    known = {script.revision for script in ScriptDirectory.from_config(settings).walk_revisions()}
    revision = current_revision(connection, path)
    if revision is not None and revision not in known:
        raise NewerSchema(
            path, f"has schema {revision}, which this version doesn't know; a newer one wrote it: install that"
        )
    settings.attributes["connection"] = connection
    with connection.begin():
        command.upgrade(settings, "head")
