"""A small statement that runs for each group: compiled once, of the tables as always, then handed on as text.

SQLAlchemy takes longer over the parameters and columns of such a statement than the database over its answer.
"""

from __future__ import annotations

from collections import namedtuple
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import BindParameter, ColumnElement, Connection, Delete, Dialect, Select, Update, bindparam

from pagereeve.store.sql.straight import fetched, written, written_all

Statement = Select[Any] | Update | Delete
AT_ONCE_MAX = 4_096
"""Of values that a statement looks for: SQLite allows 32,766 parameters (sqlite.org/limits.html), others as few as
32,767.
"""


@dataclass(slots=True)
class Driven:
    """Its parameters must be of types that bind values as they are."""

    statement: Statement
    _made: dict[str, _Made] = field(default_factory=dict)

    def rows(self, connection: Connection, values: Mapping[str, Any]) -> Sequence[Any]:
        """Named tuples, as the columns' types read them. Raises as ``execute`` does."""
        made = self._of(connection)
        found = fetched(connection, made.text, made.bound(values))
        return made.read(found) if found else ()

    def run(self, connection: Connection, values: Mapping[str, Any]) -> None:
        """Raises as ``execute`` does."""
        made = self._of(connection)
        written(connection, made.text, made.bound(values))

    def run_all(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
        """Once for each row; not at all without one. Raises as ``execute`` does."""
        if rows:
            made = self._of(connection)
            written_all(connection, made.text, [made.bound(values) for values in rows])

    def _of(self, connection: Connection) -> _Made:
        made = self._made.get(connection.dialect.name)
        if made is None:
            made = self._made[connection.dialect.name] = _Made.of(self.statement, connection.dialect)
        return made


@dataclass(slots=True)
class DrivenList:
    """``statement`` with a condition that ``column`` is one of some values; few texts serve for any number of them."""

    statement: Select[Any]
    column: ColumnElement[Any]
    _made: dict[int, Driven] = field(default_factory=dict)

    def rows(self, connection: Connection, values: Mapping[str, Any], wanted: Sequence[Any]) -> Sequence[Any]:
        """As of Driven; at most AT_ONCE_MAX are wanted, and at least one."""
        # The next power of two: the last stands for those that are too many.
        size = 1 << (len(wanted) - 1).bit_length()
        driven = self._made.get(size)
        if driven is None:
            places: list[BindParameter[Any]] = [bindparam(f"value_{place}") for place in range(size)]
            driven = self._made[size] = Driven(self.statement.where(self.column.in_(places)))
        filled = [*wanted, *[wanted[-1]] * (size - len(wanted))]
        return driven.rows(connection, {**values, **{f"value_{place}": one for place, one in enumerate(filled)}})


@dataclass(frozen=True, slots=True)
class _Made:
    """``fixed`` are parameters whose values are the statement's own; ``reading`` the columns whose type changes a value
    on its way out, by their place.
    """

    text: str
    names: tuple[str, ...]
    fixed: Mapping[str, Any]
    row: Callable[..., Any]
    reading: tuple[tuple[int, Callable[[Any], Any]], ...]

    @classmethod
    def of(cls, statement: Statement, dialect: Dialect) -> _Made:
        compiled: Any = statement.compile(dialect=dialect)
        names = tuple(compiled.positiontup or ())
        columns = list(statement.selected_columns) if isinstance(statement, Select) else []
        types = [one.type.dialect_impl(dialect).result_processor(dialect, None) for one in columns]
        reading = tuple((place, one) for place, one in enumerate(types) if one is not None)
        row = namedtuple("row", [str(one.name) for one in columns])  # type: ignore[misc] # noqa: PYI024 - its names are the statement's
        fixed = {name: compiled.params[name] for name in names if compiled.params[name] is not None}
        return cls(str(compiled), names, fixed, row._make, reading)

    def bound(self, values: Mapping[str, Any]) -> tuple[Any, ...]:
        given = {**self.fixed, **values} if self.fixed else values
        return tuple([given[name] for name in self.names])

    def read(self, found: Sequence[Sequence[Any]]) -> list[Any]:
        read = []
        for one in found:
            values = list(one)
            for place, reads in self.reading:
                values[place] = reads(values[place])
            read.append(self.row(values))
        return read
