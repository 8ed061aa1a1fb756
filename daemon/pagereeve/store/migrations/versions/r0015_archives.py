"""Readings of closed periods may go into files beside the journal; the database lets no other fact be deleted."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "r0015"
down_revision = "r0014"
phase = "expand"

# An INSERT is refused before it could replace a row: REPLACE deletes without asking a trigger
# (sqlite.org/lang_conflict.html).
GUARDS: Final = {
    "sqlite": (
        "DROP TRIGGER fact_no_delete",
        # Only a reading, which has no identity and names nobody, and only one that is named for it in the same
        # transaction and lies in a part of a file that was recorded.
        (
            "CREATE TRIGGER fact_no_delete BEFORE DELETE ON fact WHEN OLD.kind NOT IN ('reading', 'read-failed') "
            "OR OLD.event_id IS NOT NULL OR NOT EXISTS (SELECT 1 FROM archive_removing WHERE printer = OLD.printer AND "
            "seq = OLD.seq) OR NOT EXISTS (SELECT 1 FROM archive_part WHERE printer = OLD.printer AND "
            "OLD.seq BETWEEN first_seq AND last_seq AND file IN (SELECT name FROM archive)) "
            "BEGIN SELECT RAISE(ABORT, 'a fact is never deleted'); END"
        ),
        (
            "CREATE TRIGGER archive_no_delete BEFORE DELETE ON archive "
            "BEGIN SELECT RAISE(ABORT, 'what is recorded of an archive is never changed'); END"
        ),
        (
            "CREATE TRIGGER archive_no_update BEFORE UPDATE ON archive WHEN NEW.name IS NOT OLD.name "
            "OR NEW.period IS NOT OLD.period OR NEW.from_us IS NOT OLD.from_us OR NEW.to_us IS NOT OLD.to_us "
            "OR NEW.size_bytes IS NOT OLD.size_bytes OR NEW.sha256 IS NOT OLD.sha256 OR NEW.facts IS NOT OLD.facts "
            "OR NEW.archived_us IS NOT OLD.archived_us OR OLD.removed <> 0 "
            "BEGIN SELECT RAISE(ABORT, 'what is recorded of an archive is never changed'); END"
        ),
        (
            "CREATE TRIGGER archive_once BEFORE INSERT ON archive WHEN EXISTS (SELECT 1 FROM archive "
            "WHERE name = NEW.name) BEGIN SELECT RAISE(ABORT, 'what is recorded of an archive is never changed'); END"
        ),
        (
            "CREATE TRIGGER archive_part_no_delete BEFORE DELETE ON archive_part "
            "BEGIN SELECT RAISE(ABORT, 'what is recorded of an archive is never changed'); END"
        ),
        (
            "CREATE TRIGGER archive_part_no_update BEFORE UPDATE ON archive_part "
            "BEGIN SELECT RAISE(ABORT, 'what is recorded of an archive is never changed'); END"
        ),
        # Parts go in first, then their file: from then on nothing is added. No two of a printer overlap.
        (
            "CREATE TRIGGER archive_part_no_insert BEFORE INSERT ON archive_part "
            "WHEN EXISTS (SELECT 1 FROM archive WHERE name = NEW.file) OR EXISTS (SELECT 1 FROM archive_part "
            "WHERE printer = NEW.printer AND first_seq <= NEW.last_seq AND last_seq >= NEW.first_seq) "
            "BEGIN SELECT RAISE(ABORT, 'what is recorded of an archive is never changed'); END"
        ),
    ),
}


def _number(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), autoincrement=False, nullable=False)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False)


def upgrade() -> None:
    op.create_table(
        "archive",
        _text("name"),
        _text("period"),
        _number("from_us"),
        _number("to_us"),
        _number("size_bytes"),
        _text("sha256"),
        _number("facts"),
        _number("archived_us"),
        _number("removed"),
        sa.PrimaryKeyConstraint("name", name="pk_archive"),
    )
    op.create_table(
        "archive_part",
        _text("printer"),
        _number("first_seq"),
        _number("last_seq"),
        _number("first_us"),
        _number("last_us"),
        _text("file"),
        _number("facts"),
        _number("offset_bytes"),
        _number("size_bytes"),
        _text("sha256"),
        sa.PrimaryKeyConstraint("printer", "first_seq", name="pk_archive_part"),
    )
    op.create_index("ix_archive_part_file", "archive_part", ["file", "printer", "first_seq"])
    op.create_table(
        "archive_removing",
        _text("printer"),
        _number("seq"),
        sa.PrimaryKeyConstraint("printer", "seq", name="pk_archive_removing"),
    )
    for statement in GUARDS.get(op.get_bind().dialect.name, ()):
        op.execute(statement)
