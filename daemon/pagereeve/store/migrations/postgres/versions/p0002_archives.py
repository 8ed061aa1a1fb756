"""The tables of archives, so that both kinds of journal have the same; nothing is archived in a database.

No fact can be deleted there, as before: whatever stands in these tables, ``fact_no_delete`` refuses it.
"""

from __future__ import annotations

from typing import Final

from alembic import op
from sqlalchemy import MetaData, Text

from pagereeve.store.sql import tables as schema

revision = "p0002"
down_revision = "p0001"
phase = "expand"

_TABLES: Final = ("archive", "archive_part", "archive_removing")
_BYTES: Final = "C"


def upgrade() -> None:
    """A new database has them already: p0001 follows the tables."""
    metadata = MetaData(naming_convention=schema.metadata.naming_convention)
    for name in _TABLES:
        for column in schema.metadata.tables[name].to_metadata(metadata).columns:
            if isinstance(column.type, Text):
                column.type = Text(collation=_BYTES)
    metadata.create_all(op.get_bind(), checkfirst=True)
