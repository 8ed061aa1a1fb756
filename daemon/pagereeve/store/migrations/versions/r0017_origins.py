"""Each fact says which journal it was first written in; this one's own id stands among those of others."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "r0017"
down_revision = "r0016"
phase = "expand"

GUARDS: Final = {
    "sqlite": (
        "DROP TRIGGER fact_no_update",
        (
            "CREATE TRIGGER fact_no_update "
            "BEFORE UPDATE OF printer, seq, kind, source, event_id, release, body, digest, origin "
            "ON fact WHEN NEW.printer IS NOT OLD.printer OR NEW.seq IS NOT OLD.seq OR NEW.kind IS NOT OLD.kind "
            "OR NEW.source IS NOT OLD.source OR NEW.release IS NOT OLD.release OR NEW.origin IS NOT OLD.origin "
            "OR NOT EXISTS (SELECT 1 FROM seal_entry "
            "WHERE printer = OLD.printer AND seq = OLD.seq AND typeof(openings) = 'text' AND instr(openings, '=') > 0) "
            "BEGIN SELECT RAISE(ABORT, 'a fact is never changed'); END"
        ),
        "DROP TRIGGER fact_once",
        # What two origins tell of one event is kept of both. The signs keep SQLite from looking for a row by another
        # way than the event's id (sqlite.org/optoverview.html, "Disqualifying WHERE Clause Terms").
        (
            "CREATE TRIGGER fact_once BEFORE INSERT ON fact WHEN NEW.event_id IS NOT NULL AND EXISTS "
            "(SELECT 1 FROM fact WHERE event_id = NEW.event_id AND +source = NEW.source AND +origin = NEW.origin) "
            "BEGIN SELECT RAISE(ABORT, 'an event is stored once'); END"
        ),
        (
            "CREATE TRIGGER forwarded_no_update BEFORE UPDATE ON forwarded "
            "BEGIN SELECT RAISE(ABORT, 'a seal is never changed'); END"
        ),
        (
            "CREATE TRIGGER forwarded_no_delete BEFORE DELETE ON forwarded "
            "BEGIN SELECT RAISE(ABORT, 'a seal is never deleted'); END"
        ),
        (
            "CREATE TRIGGER origin_no_update BEFORE UPDATE ON origin "
            "BEGIN SELECT RAISE(ABORT, 'an origin is never changed'); END"
        ),
        (
            "CREATE TRIGGER origin_no_delete BEFORE DELETE ON origin "
            "BEGIN SELECT RAISE(ABORT, 'an origin is never changed'); END"
        ),
    ),
}


def upgrade() -> None:
    op.create_table(
        "origin",
        sa.Column("number", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("number", name="pk_origin"),
        sa.CheckConstraint("(number = 0) = (site IS NULL)", name=op.f("ck_origin_own")),
    )
    op.create_index("uq_origin_id", "origin", ["id"], unique=True)
    op.create_index("uq_origin_site", "origin", ["site"], unique=True)
    op.create_table(
        "forwarded",
        sa.Column("origin", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("place", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("printer", sa.Text(), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("link", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("origin", "place", name="pk_forwarded"),
    )
    op.create_index("ix_forwarded_fact", "forwarded", ["printer", "seq"], unique=True)
    op.add_column("fact", sa.Column("origin", sa.SmallInteger(), nullable=False, server_default="0"))
    # A journal that was never sealed gets both at this start (store/sql/seal.py).
    op.execute("INSERT INTO origin (number, id) SELECT 0, origin FROM seal")
    for statement in GUARDS.get(op.get_bind().dialect.name, ()):
        op.execute(statement)
