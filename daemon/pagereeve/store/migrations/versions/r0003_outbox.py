"""Changes of findings, alerts, and messages that wait for their receivers."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0003"
down_revision = "r0002"
phase = "expand"


def upgrade() -> None:
    numbering = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "finding_change",
        sa.Column("number", numbering, primary_key=True, autoincrement=True, nullable=False),
        sa.Column("finding", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_finding_change"),
    )
    op.create_table(
        "alert",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("message", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_alert"),
    )
    op.create_table(
        "message",
        sa.Column("receiver", sa.Text(), nullable=False),
        sa.Column("alert", sa.Text(), nullable=False),
        sa.Column("nth", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("receiver", "alert", "nth", name="pk_message"),
    )
    op.create_index("ix_message_at", "message", ["receiver", "at_us", "alert", "nth"])
    op.create_table(
        "receiver",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("last_success_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_receiver"),
    )
    # What is open already is new to whoever receives messages from now on.
    op.execute("INSERT INTO finding_change (finding) SELECT id FROM finding WHERE state = 'open' ORDER BY since_us")
