"""A fact's place in the seal is the number of its own row, so that no index of the seal need find it by the fact.

Rows are in the order in which they were sealed already, but for those that were there before the seal was: these alone
get other numbers. So the time this takes is that of comparing two indexes and of freeing one.
"""

from __future__ import annotations

import sqlite3
from itertools import pairwise
from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "r0019"
down_revision = "r0018"
phase = "contract"

_BOTH: Final = "fact JOIN seal_entry ON seal_entry.printer = fact.printer AND seal_entry.seq = fact.seq"
_ELSEWHERE: Final = (
    f"SELECT fact.rowid AS rowid_was, seal_entry.position AS rowid_now FROM {_BOTH} "  # noqa: S608 - own names
    "WHERE seal_entry.position <> fact.rowid"
)
_TOP: Final = "max((SELECT max(rowid) FROM fact), (SELECT max(position) FROM seal_entry))"
RENUMBER: Final = (
    f"CREATE TEMP TABLE placed AS {_ELSEWHERE}",
    # What nobody sealed yet comes behind all that is, in its order.
    (
        f"INSERT INTO placed SELECT rowid, rowid + {_TOP} FROM fact WHERE NOT EXISTS (SELECT 1 FROM seal_entry "  # noqa: S608 - own names
        "WHERE seal_entry.printer = fact.printer AND seal_entry.seq = fact.seq)"
    ),
    "CREATE UNIQUE INDEX temp.placed_from ON placed (rowid_was)",
    # Past one another: first all to where nobody stands.
    "UPDATE fact SET rowid = -rowid WHERE rowid IN (SELECT rowid_was FROM placed)",
    "UPDATE fact SET rowid = (SELECT rowid_now FROM placed WHERE rowid_was = -fact.rowid) WHERE rowid < 0",
    "DROP TABLE placed",
)
_KEY: Final = "CONSTRAINT pk_fact PRIMARY KEY (printer, seq)"
_KEYS: Final = "CONSTRAINT pk_fact PRIMARY KEY (place), CONSTRAINT uq_fact_seq UNIQUE (printer, seq)"
_DECLARED: Final = (
    "UPDATE sqlite_schema SET sql = replace(replace(sql, ?, ?), 'place INTEGER', 'place INTEGER NOT NULL') "
    "WHERE type = 'table' AND name = 'fact' AND instr(sql, ?)"
)

GUARDS: Final = (
    "DROP TRIGGER fact_no_update",
    (
        "CREATE TRIGGER fact_no_update "
        "BEFORE UPDATE OF printer, seq, kind, source, event_id, release, body, digest, origin "
        "ON fact WHEN NEW.printer IS NOT OLD.printer OR NEW.seq IS NOT OLD.seq OR NEW.kind IS NOT OLD.kind "
        "OR NEW.source IS NOT OLD.source OR NEW.release IS NOT OLD.release OR NEW.origin IS NOT OLD.origin "
        "OR NOT EXISTS (SELECT 1 FROM seal_entry WHERE position = OLD.place "
        "AND printer = OLD.printer AND seq = OLD.seq AND typeof(openings) = 'text' AND instr(openings, '=') > 0) "
        "BEGIN SELECT RAISE(ABORT, 'a fact is never changed'); END"
    ),
    # Of any column: the place has other names, too (sqlite.org/lang_createtable.html, "ROWIDs").
    (
        "CREATE TRIGGER fact_keeps_place BEFORE UPDATE ON fact WHEN NEW.place <> OLD.place AND EXISTS (SELECT 1 "
        "FROM seal_entry WHERE position = OLD.place AND printer = OLD.printer AND seq = OLD.seq) "
        "BEGIN SELECT RAISE(ABORT, 'a fact is never changed'); END"
    ),
)
_PARTS_KEPT: Final = (
    "CREATE TRIGGER archive_part_no_update BEFORE UPDATE ON archive_part "
    "BEGIN SELECT RAISE(ABORT, 'what is recorded of an archive is never changed'); END"
)


def upgrade() -> None:
    connection = op.get_bind()
    if connection.exec_driver_sql(f"{_ELSEWHERE} LIMIT 1").first() is not None:
        for statement in RENUMBER:
            op.execute(statement)
    _name_the_place(connection)
    _note_places_of_parts(connection)
    op.drop_index("ix_seal_entry_fact", "seal_entry")
    for statement in GUARDS:
        op.execute(statement)


def _name_the_place(connection: sa.Connection) -> None:
    """What is on the disk stays as it is: a key of its own integer type is what SQLite numbers rows by, and the key of
    before is an index either way (sqlite.org/lang_altertable.html, section 7; sqlite.org/lang_createtable.html).
    """
    op.execute("ALTER TABLE fact ADD COLUMN place INTEGER")
    op.execute("PRAGMA writable_schema = ON")
    changed = connection.exec_driver_sql(_DECLARED, (_KEY, _KEYS, _KEY)).rowcount
    op.execute("PRAGMA writable_schema = RESET")
    plan = connection.exec_driver_sql("EXPLAIN QUERY PLAN SELECT 1 FROM fact WHERE place = 1").one()
    if changed != 1 or "INTEGER PRIMARY KEY" not in plan[3]:
        raise sqlite3.DatabaseError("the table of facts is not as r0018 left it")


def _note_places_of_parts(connection: sa.Connection) -> None:
    """Of all numbers between the first and the last, each as its step above the one before (records/archive_places)."""
    op.add_column("archive_part", sa.Column("places", sa.Text(), nullable=False, server_default=""))
    op.execute("DROP TRIGGER archive_part_no_update")
    within = "SELECT seq, position FROM seal_entry WHERE printer = ? AND seq BETWEEN ? AND ?"
    parts = connection.exec_driver_sql("SELECT rowid, printer, first_seq, last_seq FROM archive_part").all()
    for number, printer, first, last in parts:
        known = {row[0]: row[1] for row in connection.exec_driver_sql(within, (printer, first, last))}
        places = [0]
        for seq in range(first, last + 1):
            places.append(known.get(seq, places[-1]))
        text = " ".join(str(place - before) for before, place in pairwise(places))
        connection.exec_driver_sql("UPDATE archive_part SET places = ? WHERE rowid = ?", (text, number))
    op.execute(_PARTS_KEPT)
