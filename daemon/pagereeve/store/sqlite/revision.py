"""Bringing a database to the tables of this program, in one transaction, or refusing it unharmed."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, inspect, text

from pagereeve.store.errors import NewerSchema, NoSpace, NotAJournal
from pagereeve.store.sql import tables as schema
from pagereeve.store.sqlite.files import size_bytes, wal_path

FreeBytes = Callable[[Path], int]

MARGIN_BYTES: Final = 16 * 2**20
"""Left over for the daemon to work with after a migration."""


def free_bytes(folder: Path) -> int:
    return shutil.disk_usage(folder).free


def upgrade(connection: Connection, path: Path, free: FreeBytes = free_bytes) -> None:
    """Raises NewerSchema, NotAJournal or NoSpace; the file is then as it was."""
    if current_revision(connection, path) == schema.REVISION:
        return
    _refuse_full_disk(path, free)
    # Only here: an up-to-date journal opens without it, and it takes a third of a second to import.
    from pagereeve.store.sqlite.migration import migrate  # noqa: PLC0415

    migrate(connection, path)


def current_revision(connection: Connection, path: Path) -> str | None:
    """None for an empty database. Raises NotAJournal."""
    with connection.begin():
        tables = set(inspect(connection).get_table_names())
        if not tables:
            return None
        if "alembic_version" not in tables:
            raise NotAJournal(path, f"holds other tables ({', '.join(sorted(tables)[:4])}); name another file")
        revisions = connection.execute(text("SELECT version_num FROM alembic_version")).scalars().all()
    if len(revisions) != 1:
        raise NotAJournal(path, f"names {len(revisions)} schema revisions instead of one; restore it from a copy")
    return str(revisions[0])


def require_current(connection: Connection, path: Path) -> None:
    """For those who only read: raises NewerSchema or NotAJournal unless the tables are this program's."""
    revision = current_revision(connection, path)
    if revision != schema.REVISION:
        raise NewerSchema(path, f"has schema {revision}, not {schema.REVISION}; let the daemon of this version open it")


def _refuse_full_disk(path: Path, free: FreeBytes) -> None:
    """A rebuilt table exists twice until the commit, and its pages pass through the write-ahead file as well."""
    need = 2 * (size_bytes(path) + size_bytes(wal_path(path))) + MARGIN_BYTES
    there = free(path.parent)
    if there < need:
        raise NoSpace(path, f"its tables must change, which needs {need} bytes free in its folder; {there} are")
