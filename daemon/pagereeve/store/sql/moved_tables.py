"""Which tables go along when a journal moves into another database, in which order, and why the others do not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Table

from pagereeve.store.sql import tables as schema


@dataclass(frozen=True, slots=True)
class MovedTable:
    """``only``: a condition on its rows, in SQL; the others are left."""

    table: Table
    only: str = ""

    @property
    def name(self) -> str:
        return self.table.name

    @property
    def columns(self) -> tuple[str, ...]:
        return tuple(one.name for one in self.table.columns)

    @property
    def key(self) -> tuple[str, ...]:
        return tuple(one.name for one in self.table.primary_key)

    @property
    def is_numbered(self) -> bool:
        """Do its rows in SQLite have numbers of their own? The others lie in the order of their key."""
        return bool(self.table.dialect_options["sqlite"]["with_rowid"])


# Each after those that it refers to. Closed periods come after all rows whose arrival a trigger would note for them,
# and their parts before them, as parts of archives before their files; the seal's own row is the last: without it
# nobody takes the rest for a journal.
MOVED: Final = (
    *(
        MovedTable(table)
        for table in (
            *(
                schema.origin,
                schema.forwarded,
                schema.fact,
                schema.seal_entry,
                schema.conflict,
                schema.open_run,
                schema.instance,
            ),
            *(schema.segment, *schema.SEGMENT_PARTS, schema.finding_change),
            *(schema.alert, schema.message, schema.receiver, schema.key_check, schema.credential),
        )
    ),
    MovedTable(schema.closed_part, "period IN (SELECT name FROM closed_period)"),
    MovedTable(schema.closed_period),
    MovedTable(schema.closed_touched),
    # The files stay where they are: in the data folder, which both journals have.
    MovedTable(schema.archive_part),
    MovedTable(schema.archive),
    MovedTable(schema.seal),
)

ODD_MAY_BE: Final = frozenset({"body", "digest", "link", "openings", "message"})
"""Columns that nothing is looked up by, where a damaged value may stand in another form (records/moved_rows.py): what
reads them finds them as damaged as they were."""
FOLLOWING: Final = frozenset(one.name for one in (schema.segment, *schema.SEGMENT_PARTS))
"""Their rows follow from facts, and can be made anew."""

LEFT: Final[Mapping[str, str]] = {
    "closing_period": "an attempt ends with the process that made it, and its parts with it",
    "closed_erasing": "rows stand there within one transaction, and no longer",
    "rows_version": "replacements of the file's rows are no news to who asks the database, which counts its own",
    "archive_removing": "rows stand there within one transaction, and no longer",
}
