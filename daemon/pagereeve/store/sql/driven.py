"""A small statement that runs for each event: compiled once, then given to the driver as it is.

SQLAlchemy takes longer over the parameters and columns of such a statement than the database over its answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, CursorResult, Select, Update


@dataclass(slots=True)
class Driven:
    """Its parameters must be of types that bind values as they are."""

    statement: Select[Any] | Update
    _made: dict[str, tuple[str, tuple[str, ...]]] = field(default_factory=dict)

    def run(self, connection: Connection, values: Mapping[str, Any]) -> CursorResult[Any]:
        """Rows come as they are stored: bodies and digests packed. Raises as ``execute`` does."""
        made = self._made.get(connection.dialect.name)
        if made is None:
            compiled = self.statement.compile(dialect=connection.dialect)
            made = self._made[connection.dialect.name] = (str(compiled), tuple(compiled.positiontup or ()))
        text, names = made
        return connection.exec_driver_sql(text, tuple(values[name] for name in names))
