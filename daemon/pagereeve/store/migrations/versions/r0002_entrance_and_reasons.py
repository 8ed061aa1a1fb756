"""Findings say how many pages, where, and why; facts of badges and starts are found by time, whatever their printer."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0002"
down_revision = "r0001"
phase = "expand"

FEW = (
    "kind IN ('policy', 'settle-learned', 'pagereeve.finding.decided.v1', 'assigned', 'registered', 'bound', "
    "'entrance-policy', 'pagereeve.printer.noted.v1')"
)
ENTRANCE = (
    "kind IN ('pagereeve.badge.presented.v1', 'badge-unreadable', 'pagereeve.release.started.v1') "
    "AND event_id IS NOT NULL"
)
PARTS = ("evidence", "finding", "leg", "posting", "charge", "stretch", "sheaf")


def upgrade() -> None:
    # Projections of another version are rebuilt in any case, and new columns then need no values for old rows.
    for table in PARTS:
        op.execute(f"DELETE FROM {table}")  # noqa: S608 - our own names
    op.add_column("finding", sa.Column("pages", sa.BigInteger(), nullable=True))
    op.add_column("finding", sa.Column("reason", sa.Text(), nullable=False, server_default=""))
    op.add_column("finding", sa.Column("place", sa.Text(), nullable=False, server_default=""))
    op.create_index("ix_finding_id", "finding", ["id"])
    op.drop_index("ix_fact_few", "fact")
    for name, columns, condition in (
        ("ix_fact_few", ["printer", "kind", "at_us", "seq"], FEW),
        ("ix_fact_entrance", ["at_us", "printer", "seq"], ENTRANCE),
    ):
        where = sa.text(condition)
        op.create_index(name, "fact", columns, sqlite_where=where, postgresql_where=where)
