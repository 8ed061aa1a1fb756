"""What our own clock did is looked at beside badges and readers; facts may get another date, or be void."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0008"
down_revision = "r0007"
phase = "expand"

CHECKED = (
    "kind IN ('pagereeve.badge.presented.v1', 'badge-unreadable', 'clock-changed', 'pagereeve.release.started.v1') "
    "AND event_id IS NOT NULL"
)
# All but where a fact stands now: its own text, and what it is found by, stay as they are.
APPEND_ONLY = {
    "sqlite": (
        "DROP TRIGGER fact_no_update",
        (
            "CREATE TRIGGER fact_no_update "
            "BEFORE UPDATE OF printer, seq, kind, source, event_id, release, body, digest "
            "ON fact BEGIN SELECT RAISE(ABORT, 'a fact is never changed'); END"
        ),
    ),
}


def upgrade() -> None:
    where = sa.text(CHECKED)
    op.add_column("fact", sa.Column("shift_us", sa.BigInteger(), nullable=True, server_default="0"))
    op.drop_index("ix_fact_entrance", "fact")
    op.create_index("ix_fact_entrance", "fact", ["at_us", "printer", "seq"], sqlite_where=where, postgresql_where=where)
    for statement in APPEND_ONLY.get(op.get_bind().dialect.name, ()):
        op.execute(statement)
