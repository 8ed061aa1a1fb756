"""Check values of secret keys in their table: ports.key_checks over SQL."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection, bindparam, delete, insert, select

from pagereeve.store.sql import tables as schema

_VALUE: Final = select(schema.key_check.c.value).where(schema.key_check.c.name == bindparam("of"))
_DROP: Final = delete(schema.key_check).where(schema.key_check.c.name == bindparam("of"))


def read_key_check(connection: Connection, name: str) -> str | None:
    with connection.begin():
        value = connection.execute(_VALUE, {"of": name}).scalar_one_or_none()
    return None if value is None else str(value)


def write_key_check(connection: Connection, name: str, value: str, since_us: int) -> None:
    with connection.begin():
        connection.execute(_DROP, {"of": name})
        connection.execute(insert(schema.key_check), {"name": name, "value": value, "since_us": since_us})
