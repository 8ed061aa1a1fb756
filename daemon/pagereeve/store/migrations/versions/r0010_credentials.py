"""Credentials: who may send, note, decide, read, administer."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0010"
down_revision = "r0009"
phase = "expand"


def upgrade() -> None:
    op.create_table(
        "credential",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("acts", sa.Text(), nullable=False),
        sa.Column("sources", sa.Text(), nullable=True),
        sa.Column("types", sa.Text(), nullable=True),
        sa.Column("added_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("expires_us", sa.BigInteger(), autoincrement=False, nullable=True),
        sa.Column("revoked_us", sa.BigInteger(), autoincrement=False, nullable=True),
        sa.Column("used_us", sa.BigInteger(), autoincrement=False, nullable=True),
        sa.PrimaryKeyConstraint("name", name="pk_credential"),
    )
