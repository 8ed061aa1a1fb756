"""Rows that go in past SQLAlchemy's own binding are, byte by byte, those that it would have written."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, Table, create_engine, insert
from sqlalchemy.exc import IntegrityError

from pagereeve.store.records.checked_rows import digest_text
from pagereeve.store.records.fact_record import file
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.adding import Adding
from tests.journal_samples import started

RECORD = file(started("event-1"))
VALUES = {
    "body": RECORD.body,
    "digest": digest_text(RECORD),
    "link": "ab" * 32,
    "openings": f"{'01' * 16} {'02' * 16}",
    "printer": "Küche 2",
}
TABLES = (schema.fact, schema.seal_entry, schema.open_run, schema.segment, *schema.SEGMENT_PARTS)


@pytest.fixture
def engines() -> tuple[Engine, Engine]:
    made = create_engine("sqlite://"), create_engine("sqlite://")
    for engine in made:
        schema.metadata.create_all(engine)
    return made


def row_of(table: Table, number: int, *, nulls: bool) -> dict[str, Any]:
    """A value for each column; nulls where a column takes them, if so asked."""
    row: dict[str, Any] = {}
    for column in table.c:
        if nulls and column.nullable and column.name != "shift_us":
            row[column.name] = None
        else:
            row[column.name] = VALUES.get(column.name, number if column.type.python_type is int else f"{number}")
    return row


def stored(connection: Connection, table: Table) -> list[tuple[Any, ...]]:
    key = ", ".join(one.name for one in table.primary_key)
    rows = connection.exec_driver_sql(f"SELECT * FROM {table.name} ORDER BY {key}").fetchall()
    return [tuple(row) for row in rows]


@pytest.mark.parametrize("table", TABLES, ids=str)
def test_rows_are_those_that_sqlalchemy_writes(table: Table, engines: tuple[Engine, Engine]) -> None:
    rows = [row_of(table, number, nulls=bool(number % 2)) for number in range(1, 6)]
    if table is schema.open_run:
        rows = [{**row, "printer": str(number)} for number, row in enumerate(rows)]
    if table is schema.seal_entry:
        rows = [{**row, "position": number} for number, row in enumerate(rows, 1)]
    ours, theirs = engines
    adding = Adding(table)
    with ours.begin() as one, theirs.begin() as other:
        adding.add(one, rows)
        other.execute(insert(table), rows)
        assert stored(one, table) == stored(other, table) != []
        adding.add(one, [])
        assert len(stored(one, table)) == len(rows)


def test_columns_that_are_left_out_get_their_defaults(engines: tuple[Engine, Engine]) -> None:
    ours, theirs = engines
    left_out = ("shift_us", "origin")
    rows: list[Mapping[str, Any]] = [
        {name: value for name, value in row_of(schema.fact, number, nulls=True).items() if name not in left_out}
        for number in range(3)
    ]
    with ours.begin() as one, theirs.begin() as other:
        Adding(schema.fact).add(one, rows)
        other.execute(insert(schema.fact), rows)
        assert stored(one, schema.fact) == stored(other, schema.fact)
        names = [column.name for column in schema.fact.c]
        found = [dict(zip(names, row, strict=True)) for row in stored(one, schema.fact)]
        assert [[row[name] for name in left_out] for row in found] == [[0, 0]] * 3


def test_one_column_alone_is_a_row_too(engines: tuple[Engine, Engine]) -> None:
    with engines[0].begin() as one:
        Adding(schema.finding_change).add(one, [{"finding": "f-1"}, {"finding": "f-2"}])
        assert [row[1] for row in stored(one, schema.finding_change)] == ["f-1", "f-2"]


def test_what_the_database_refuses_is_refused(engines: tuple[Engine, Engine]) -> None:
    row = row_of(schema.fact, 1, nulls=False)
    with engines[0].begin() as one, pytest.raises(IntegrityError):
        Adding(schema.fact).add(one, [row, row])
