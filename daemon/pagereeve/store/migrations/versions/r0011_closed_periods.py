"""Closed periods: their rows are frozen, and the database guards them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0011"
down_revision = "r0010"
phase = "expand"

_ERASING = "EXISTS (SELECT 1 FROM closed_erasing WHERE name = OLD.{0})"
# Nothing that is closed changes, but for names of a person who is erased. An INSERT is refused before it could replace
# a row: REPLACE deletes without asking a trigger (sqlite.org/lang_conflict.html).
GUARDS = {
    "sqlite": (
        (
            "CREATE TRIGGER closed_period_no_update BEFORE UPDATE OF name, zone, zone_database, from_us, to_us, "
            "closed_us, closed_by, reason, version, journal, size, head, frozen_rows, sha256 ON closed_period "
            "BEGIN SELECT RAISE(ABORT, 'a closed period is never changed'); END"
        ),
        (
            "CREATE TRIGGER closed_period_erased BEFORE UPDATE OF erased_sha256 ON closed_period "
            f"WHEN NOT {_ERASING.format('name')} "
            "BEGIN SELECT RAISE(ABORT, 'a closed period is never changed'); END"
        ),
        (
            "CREATE TRIGGER closed_period_no_delete BEFORE DELETE ON closed_period "
            "BEGIN SELECT RAISE(ABORT, 'a closed period is never deleted'); END"
        ),
        (
            "CREATE TRIGGER closed_period_once BEFORE INSERT ON closed_period WHEN EXISTS (SELECT 1 FROM closed_period "
            "WHERE name = NEW.name OR (NEW.from_us < to_us AND from_us < NEW.to_us)) "
            "BEGIN SELECT RAISE(ABORT, 'what is closed is not closed again'); END"
        ),
        (
            "CREATE TRIGGER closed_part_no_update BEFORE UPDATE OF period, number ON closed_part "
            "BEGIN SELECT RAISE(ABORT, 'frozen rows are never changed'); END"
        ),
        (
            "CREATE TRIGGER closed_part_erased BEFORE UPDATE OF body ON closed_part "
            f"WHEN NOT {_ERASING.format('period')} "
            "BEGIN SELECT RAISE(ABORT, 'frozen rows are never changed'); END"
        ),
        (
            "CREATE TRIGGER closed_part_no_delete BEFORE DELETE ON closed_part "
            "BEGIN SELECT RAISE(ABORT, 'frozen rows are never deleted'); END"
        ),
        (
            "CREATE TRIGGER closed_part_no_insert BEFORE INSERT ON closed_part "
            "WHEN EXISTS (SELECT 1 FROM closed_period WHERE name = NEW.period) "
            "OR EXISTS (SELECT 1 FROM closed_part WHERE period = NEW.period AND number = NEW.number) "
            "BEGIN SELECT RAISE(ABORT, 'frozen rows are never added to'); END"
        ),
    ),
}


def _number(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), autoincrement=False, nullable=False)


def _text(name: str, *, nullable: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=nullable)


def upgrade() -> None:
    op.create_table(
        "closed_period",
        _text("name"),
        _text("zone"),
        _text("zone_database"),
        _number("from_us"),
        _number("to_us"),
        _number("closed_us"),
        _text("closed_by"),
        _text("reason"),
        _number("version"),
        _text("journal"),
        _number("size"),
        _text("head"),
        _number("frozen_rows"),
        _text("sha256"),
        _text("erased_sha256", nullable=True),
        sa.PrimaryKeyConstraint("name", name="pk_closed_period"),
    )
    op.create_index("ix_closed_period_ends", "closed_period", ["to_us"])
    op.create_table(
        "closed_part",
        _text("period"),
        _number("number"),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("period", "number", name="pk_closed_part"),
    )
    op.create_table("closed_erasing", _text("name"), sa.PrimaryKeyConstraint("name", name="pk_closed_erasing"))
    for statement in GUARDS.get(op.get_bind().dialect.name, ()):
        op.execute(statement)
