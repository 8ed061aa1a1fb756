"""Facts are sealed: a chain for each timeline, a tree over all of them. Older facts are sealed at the next start."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0009"
down_revision = "r0008"
phase = "expand"

# A fact is never changed, but for a person whose names are erased: its seal holds commitments in their place then.
APPEND_ONLY = {
    "sqlite": (
        "DROP TRIGGER fact_no_update",
        (
            "CREATE TRIGGER fact_no_update "
            "BEFORE UPDATE OF printer, seq, kind, source, event_id, release, body, digest "
            "ON fact WHEN NEW.printer IS NOT OLD.printer OR NEW.seq IS NOT OLD.seq OR NEW.kind IS NOT OLD.kind "
            "OR NEW.source IS NOT OLD.source OR NEW.release IS NOT OLD.release OR NOT EXISTS (SELECT 1 FROM seal_entry "
            "WHERE printer = OLD.printer AND seq = OLD.seq AND instr(openings, '=') > 0) "
            "BEGIN SELECT RAISE(ABORT, 'a fact is never changed'); END"
        ),
        (
            "CREATE TRIGGER seal_entry_no_update BEFORE UPDATE OF position, printer, seq, link ON seal_entry "
            "BEGIN SELECT RAISE(ABORT, 'a seal is never changed'); END"
        ),
        (
            "CREATE TRIGGER seal_entry_no_delete BEFORE DELETE ON seal_entry "
            "BEGIN SELECT RAISE(ABORT, 'a seal is never deleted'); END"
        ),
    ),
}


def upgrade() -> None:
    op.create_table(
        "seal_entry",
        sa.Column(
            "position", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=False, nullable=False
        ),
        sa.Column("printer", sa.Text(), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("link", sa.Text(), nullable=False),
        sa.Column("openings", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("position", name="pk_seal_entry"),
    )
    op.create_index("ix_seal_entry_fact", "seal_entry", ["printer", "seq"], unique=True)
    op.create_table(
        "seal",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("peaks", sa.Text(), nullable=False),
        sa.Column("older", sa.BigInteger(), autoincrement=False, nullable=True),
        sa.Column("since_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_seal"),
    )
    for statement in APPEND_ONLY.get(op.get_bind().dialect.name, ()):
        op.execute(statement)
