"""Which revision of the tables a database has, for everybody who opens one."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, inspect, text

from pagereeve.store.errors import NewerSchema, NotAJournal
from pagereeve.store.sql import tables as schema


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
