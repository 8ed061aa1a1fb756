"""Rows of the ledger take less room: postings and legs lie in the order of their keys, with no numbers of their own and
no index beside them (sqlite.org/withoutrowid.html). Resume points are packed as bodies are.

These two tables are written anew, row by row as they are. Resume points of before stay text, and are read as before;
but what knows only that form would take new ones for damaged. Charges keep their numbers: four indexes lead to them,
each of which would hold the whole key in a number's place. So do stretches: SQLite would rather walk through all of a
printer's by their key than go by the instant at which they close.
"""

from __future__ import annotations

from typing import Final

from alembic import op

revision = "r0020"
down_revision = "r0019"
phase = "contract"

TABLES: Final = ("posting", "leg")
"""Each after the one that it refers to."""
_MADE: Final = "SELECT sql FROM sqlite_schema WHERE type = 'table' AND name = ?"
_BESIDE: Final = (
    "SELECT sql FROM sqlite_schema WHERE type IN ('index', 'trigger') AND tbl_name IN ('posting', 'leg') "
    "AND sql IS NOT NULL ORDER BY type, name"
)


def upgrade() -> None:
    connection = op.get_bind()
    tables = {name: str(connection.exec_driver_sql(_MADE, (name,)).scalar_one()) for name in TABLES}
    beside = [str(sql) for sql in connection.exec_driver_sql(_BESIDE).scalars()]
    # The reference of legs goes along with the other name, and they are dropped first: nothing cascades to new rows.
    for name in reversed(TABLES):
        connection.exec_driver_sql(f"ALTER TABLE {name} RENAME TO {name}_was")
    for name, sql in tables.items():
        connection.exec_driver_sql(f"{sql} WITHOUT ROWID")
        place = ", place" if name == "leg" else ""
        order = f"ORDER BY printer, anchor_us, ordinal{place}"
        connection.exec_driver_sql(f"INSERT INTO {name} SELECT * FROM {name}_was {order}")  # noqa: S608 - own names
    for name in reversed(TABLES):
        connection.exec_driver_sql(f"DROP TABLE {name}_was")
    for sql in beside:
        connection.exec_driver_sql(sql)
