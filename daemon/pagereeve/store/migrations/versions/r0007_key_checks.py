"""Check values of secret keys."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0007"
down_revision = "r0006"
phase = "expand"


def upgrade() -> None:
    op.create_table(
        "key_check",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("since_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_key_check"),
    )
