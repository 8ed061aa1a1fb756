"""End notices under no printer are found without going through all that lies under none."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0006"
down_revision = "r0005"
phase = "expand"

UNROUTED = "printer = '' AND kind = 'pagereeve.release.ended.v1'"


def upgrade() -> None:
    where = sa.text(UNROUTED)
    columns = ["printer", "kind", "at_us", "seq"]
    op.create_index("ix_fact_unrouted", "fact", columns, sqlite_where=where, postgresql_where=where)
