"""Credentials made and revoked beside a running daemon, or without one: one short transaction of its own.

The daemon's own writer waits for it (busy_timeout), and nothing of the journal's facts is touched.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection
from sqlalchemy.exc import DatabaseError

from pagereeve.store.errors import CantOpen, unavailable
from pagereeve.store.sqlite.connections import changing_engine
from pagereeve.store.sqlite.revision import require_current


@contextmanager
def changes(path: Path) -> Iterator[Connection]:
    """A transaction, durable once left without an error.

    Raises CantOpen, NewerSchema, NotAJournal or JournalUnavailable; what is raised inside undoes it.
    """
    path = path.resolve()
    if not path.is_file():
        raise CantOpen(path, "there is no such file; the daemon creates it at its first start")
    engine = changing_engine(path)
    try:
        with engine.connect() as connection:
            require_current(connection, path)
            with connection.begin():
                yield connection
    except (sqlite3.Error, DatabaseError) as error:
        raise unavailable(path, error) from error
    finally:
        engine.dispose()
