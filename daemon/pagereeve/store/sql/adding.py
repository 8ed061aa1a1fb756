"""Many rows into one table by one statement, past what SQLAlchemy does for each row's parameters.

Half of the time that a group of facts took went into binding parameters by name. Here the statement is made of the
table as always, once for each choice of columns, and values are bound by the columns' own types.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, Dialect, Table, insert

from pagereeve.store.sql.straight import written_all


@dataclass(slots=True)
class Adding:
    """Belongs to one table."""

    table: Table
    _made: dict[tuple[str, tuple[str, ...]], _Statement] = field(default_factory=dict)

    def add(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Rows by names of columns, all with those of the first; no row, no statement. Raises as ``execute`` does."""
        if not rows:
            return
        names = tuple(rows[0])
        key = (connection.dialect.name, names)
        made = self._made.get(key)
        if made is None:
            made = self._made[key] = _Statement.of(self.table, names, connection.dialect)
        written_all(connection, made.text, made.parameters(rows))


@dataclass(frozen=True, slots=True)
class _Statement:
    """``binding`` holds the columns whose type changes a value on its way in, by their place."""

    text: str
    names: tuple[str, ...]
    binding: tuple[tuple[int, Any], ...]

    @classmethod
    def of(cls, table: Table, names: tuple[str, ...], dialect: Dialect) -> _Statement:
        compiled = insert(table).compile(dialect=dialect, column_keys=list(names))
        order = tuple(compiled.positiontup or ())
        processors = [table.c[name].type.dialect_impl(dialect).bind_processor(dialect) for name in order]
        binding = tuple((place, one) for place, one in enumerate(processors) if one is not None)
        return cls(str(compiled), order, binding)

    def parameters(self, rows: Sequence[Mapping[str, Any]]) -> list[tuple[Any, ...]]:
        values = map(itemgetter(*self.names), rows) if len(self.names) > 1 else ((row[self.names[0]],) for row in rows)
        return [self._bound(one) for one in values] if self.binding else list(values)

    def _bound(self, values: tuple[Any, ...]) -> tuple[Any, ...]:
        bound = list(values)
        for place, bind in self.binding:
            bound[place] = bind(bound[place])
        return tuple(bound)
