"""A compiled statement on its way to the database: SQLite's driver gets it as it is, any other through SQLAlchemy.

For a statement that runs with each group SQLAlchemy takes longer over its context and its cursor than SQLite over the
whole of it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

Values = tuple[Any, ...]

_AT_ONCE: Final = "pysqlite"
"""SQLAlchemy's name of the driver whose statements return once they are done."""


def fetched(connection: Connection, text: str, values: Values) -> Sequence[Sequence[Any]]:
    """The rows as they are stored. Raises as ``Connection.execute`` does."""
    raw = _driver(connection)
    if raw is None:
        return connection.exec_driver_sql(text, values).all()
    try:
        rows: list[Values] = raw.execute(text, values).fetchall()
    except sqlite3.Error as error:
        raise _told(connection, text, error) from error
    return rows


def written(connection: Connection, text: str, values: Values) -> None:
    """Raises as ``Connection.execute`` does."""
    raw = _driver(connection)
    if raw is None:
        connection.exec_driver_sql(text, values)
        return
    try:
        raw.execute(text, values)
    except sqlite3.Error as error:
        raise _told(connection, text, error) from error


def written_all(connection: Connection, text: str, rows: list[Values]) -> None:
    """Once with each of the rows. Raises as ``Connection.execute`` does."""
    raw = _driver(connection)
    if raw is None:
        connection.exec_driver_sql(text, rows)
        return
    try:
        raw.executemany(text, rows)
    except sqlite3.Error as error:
        raise _told(connection, text, error) from error


def begun(connection: Connection, text: str) -> None:
    """``text`` begins a transaction of SQLite. Raises as ``Connection.execute`` does."""
    raw: Any = connection.connection.driver_connection
    try:
        raw.execute(text)
    except sqlite3.Error as error:
        raise _told(connection, text, error) from error


def require_open(connection: Connection) -> None:
    """SQLite ends a transaction by itself after some errors (sqlite.org/lang_transaction.html, section 2.3). What is
    written then would be stored at once, in pieces, and the driver's commit says nothing.
    """
    raw: Any = connection.connection.driver_connection
    if not raw.in_transaction:
        raise _over()


def _driver(connection: Connection) -> Any:
    """The driver's own connection; None where SQLAlchemy must stand before it."""
    if connection.dialect.driver != _AT_ONCE:
        return None
    raw: Any = connection.connection.driver_connection
    if raw.in_transaction:
        return raw
    if raw.isolation_level is None:
        raise _over()
    # The driver begins by itself, and only with what SQLAlchemy hands it.
    return None


def _over() -> sqlite3.OperationalError:
    return sqlite3.OperationalError("the transaction was rolled back before its end; nothing of it is stored")


def _told(connection: Connection, text: str, error: sqlite3.Error) -> BaseException:
    """In SQLAlchemy's words. Values may be personal: they are left out, as everywhere."""
    return DBAPIError.instance(text, None, error, sqlite3.Error, hide_parameters=True, dialect=connection.dialect)
