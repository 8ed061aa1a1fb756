"""The tables as store/sql/tables.py says them, and what PostgreSQL guards in them by itself.

Until the first release with PostgreSQL this revision follows the tables; from then on it is written out, and a change
is a revision of its own.
"""

from __future__ import annotations

from typing import Final

from alembic import op
from sqlalchemy import MetaData, Text

from pagereeve.store.migrations.postgres.guards import FUNCTIONS, GATES, HINTS, LEAST, NOTES, TRIGGERS
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.stored_types import Kind, Packed

revision = "p0001"
down_revision = None

# Names sort by their bytes, as they do in SQLite and in our own code, whatever the database's language is.
_BYTES: Final = "C"


def upgrade() -> None:
    metadata = MetaData(naming_convention=schema.metadata.naming_convention)
    for table in schema.metadata.sorted_tables:
        copy = table.to_metadata(metadata)
        for column in copy.columns:
            if isinstance(column.type, Text | Packed | Kind):
                column.type = Text(collation=_BYTES)
        for index in copy.indexes:
            index.dialect_options["postgresql"]["where"] = index.dialect_options["sqlite"]["where"]
    metadata.create_all(op.get_bind())
    for statement in (*LEAST, NOTES, GATES, *HINTS, *FUNCTIONS, *TRIGGERS):
        op.execute(statement)
