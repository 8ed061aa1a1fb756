"""How often the rows of each printer were replaced, for who keeps what it made of them. No row says 0."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0016"
down_revision = "r0015"
phase = "expand"


def upgrade() -> None:
    op.create_table(
        "rows_version",
        sa.Column("printer", sa.Text(), nullable=False),
        sa.Column("version", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("printer", name="pk_rows_version"),
    )
