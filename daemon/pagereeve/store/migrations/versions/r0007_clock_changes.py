"""What our own clock did is looked at beside badges and readers."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0007"
down_revision = "r0006"
phase = "expand"

CHECKED = (
    "kind IN ('pagereeve.badge.presented.v1', 'badge-unreadable', 'clock-changed', 'pagereeve.release.started.v1') "
    "AND event_id IS NOT NULL"
)


def upgrade() -> None:
    where = sa.text(CHECKED)
    op.drop_index("ix_fact_entrance", "fact")
    op.create_index("ix_fact_entrance", "fact", ["at_us", "printer", "seq"], sqlite_where=where, postgresql_where=where)
