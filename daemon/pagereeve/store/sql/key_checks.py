"""Check values of secret keys in their table: ports.key_checks over SQL."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection, bindparam, delete, insert, select

from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.snapshots import Reader

_DROP: Final = delete(schema.key_check).where(schema.key_check.c.name == bindparam("of"))


class KeyCheckReads:
    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def key_check(self, name: str) -> str | None:
        """ports.key_checks.KeyChecks. Raises JournalUnavailable."""
        table = schema.key_check.c
        row = await self._reader.first(select(table.value).where(table.name == name))
        return None if row is None else str(row.value)


def write_key_check(connection: Connection, name: str, value: str, since_us: int) -> None:
    with connection.begin():
        connection.execute(_DROP, {"of": name})
        connection.execute(insert(schema.key_check), {"name": name, "value": value, "since_us": since_us})
