"""Many rows into one table by one statement, past what SQLAlchemy does for each row's parameters.

Half of the time that a group of facts took went into binding parameters by name. Here the statement is made of the
table as always, once for each choice of columns, and values are bound by the columns' own types.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, Dialect, Table, insert

from pagereeve.store.sql.straight import written_all

Binding = Callable[[Any], Any]


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
    """``columns`` are in the order of the text's places, each with what its type changes a value by on its way in."""

    text: str
    columns: tuple[tuple[str, Binding | None], ...]

    @classmethod
    def of(cls, table: Table, names: tuple[str, ...], dialect: Dialect) -> _Statement:
        compiled = insert(table).compile(dialect=dialect, column_keys=list(names))
        order = tuple(compiled.positiontup or ())
        types = [table.c[name].type.dialect_impl(dialect) for name in order]
        binds = [one.bind_processor(dialect) for one in types]
        return cls(str(compiled), tuple(zip(order, binds, strict=True)))

    def parameters(self, rows: Sequence[Mapping[str, Any]]) -> list[tuple[Any, ...]]:
        # Column by column: neither a row nor a value costs a step of the interpreter, but where its type binds.
        return list(zip(*(_column(name, bind, rows) for name, bind in self.columns), strict=True))


def _column(name: str, bind: Binding | None, rows: Sequence[Mapping[str, Any]]) -> Iterable[Any]:
    values = map(itemgetter(name), rows)
    return values if bind is None else map(bind, values)
