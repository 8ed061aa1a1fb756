"""Statements as SQLite's store issues them: each is explained, and its steps are counted, at that moment."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, event

from pagereeve.store.records.body_forms import unpacked_body
from pagereeve.store.sql import straight
from pagereeve.store.sql.stored_types import FACT_TEXT

# Instructions of SQLite's virtual machine.
COUNT_EVERY: Final = 50


@dataclass(frozen=True, slots=True)
class Issued:
    statement: str
    plan: list[str]
    steps: int
    rows: int


@dataclass(slots=True)
class Recorder:
    """Statements as the store issues them; each is explained and counted on a connection of its own, at that moment.

    The connection stays open between statements that read or write rows, and no longer: a call may issue thousands.
    """

    path: Path
    issued: list[Issued] = field(default_factory=list)
    _beside: sqlite3.Connection | None = None
    _plans: dict[str, list[str]] = field(default_factory=dict)

    def note(self, _: Any, __: Any, statement: str, parameters: Any, ___: Any, executemany: bool) -> None:
        if statement.startswith(("SELECT", "WITH", "INSERT", "DELETE", "UPDATE")):
            one = parameters[0] if executemany else parameters
            self.issued.append(self._weighed(statement, one))
        else:
            self.rest()

    def rest(self) -> None:
        """What changes tables, or the file itself, has it alone; plans are looked at anew."""
        self._plans.clear()
        if self._beside is not None:
            self._beside.close()
            self._beside = None

    def _weighed(self, statement: str, parameters: Any) -> Issued:
        steps = 0

        def count() -> int:
            nonlocal steps
            steps += COUNT_EVERY
            return 0

        connection = self._connected()
        if statement not in self._plans:
            explained = connection.execute(f"EXPLAIN QUERY PLAN {statement}", parameters)
            self._plans[statement] = [row[3] for row in explained]
        rows = 0
        if statement.startswith(("SELECT", "WITH")):
            connection.set_progress_handler(count, COUNT_EVERY)
            rows = len(connection.execute(statement, parameters).fetchall())
            connection.set_progress_handler(None, 0)
        return Issued(statement, self._plans[statement], steps, rows)

    def _connected(self) -> sqlite3.Connection:
        if self._beside is None:
            self._beside = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False)
            self._beside.create_function(FACT_TEXT, 1, unpacked_body, deterministic=True)
        return self._beside


@dataclass(frozen=True, slots=True)
class Straight:
    """SQLite's own connection, as statements come to it that do not pass SQLAlchemy."""

    raw: sqlite3.Connection
    recorder: Recorder

    def execute(self, statement: str, values: Any) -> sqlite3.Cursor:
        self.recorder.note(None, None, statement, values, None, executemany=False)
        return self.raw.execute(statement, values)

    def executemany(self, statement: str, rows: Any) -> sqlite3.Cursor:
        self.recorder.note(None, None, statement, rows, None, executemany=True)
        return self.raw.executemany(statement, rows)


@contextmanager
def recording(path: Path) -> Iterator[Recorder]:
    recorder, driver = Recorder(path), straight._driver

    def seen(connection: Connection) -> Any:
        raw = driver(connection)
        return None if raw is None else Straight(raw, recorder)

    event.listen(Engine, "before_cursor_execute", recorder.note)
    straight._driver = seen
    try:
        yield recorder
    finally:
        straight._driver = driver
        event.remove(Engine, "before_cursor_execute", recorder.note)
        recorder.rest()
