"""Which printers of which closed periods may have changed since their close, noted by the database itself."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "r0012"
down_revision = "r0011"
phase = "expand"

# Numbers only grow, also after a close took all that were there.
_NEXT: Final = (
    "1 + max(coalesce((SELECT max(number) FROM closed_touched), 0), "
    "coalesce((SELECT touched FROM closed_period ORDER BY to_us DESC LIMIT 1), 0))"
)
_AGAIN: Final = "ON CONFLICT (period, printer) DO UPDATE SET number = excluded.number"


def _touched(event: str, table: str, at_us: str) -> str:
    """By a row that belongs to a closed period by an instant of its own: each such row, added or removed."""
    row = "NEW" if event == "INSERT" else "OLD"
    at = f"{row}.{at_us}"
    return (
        f"CREATE TRIGGER closed_touched_{table}_{event.lower()} AFTER {event} ON {table} "  # noqa: S608 - own names
        f"WHEN {at} < (SELECT max(to_us) FROM closed_period) "
        f"BEGIN INSERT INTO closed_touched (period, printer, number) SELECT name, {row}.printer, {_NEXT} "
        f"FROM closed_period WHERE to_us > {at} AND from_us <= {at} {_AGAIN}; END"
    )


GUARDS: Final = {
    "sqlite": (
        *(
            _touched(event, table, at_us)
            for table, at_us in (("charge", "started_us"), ("stretch", "closes_us"))
            for event in ("INSERT", "DELETE")
        ),
        # What period a decision is about its rows say: it is noted for none by name.
        (
            "CREATE TRIGGER closed_touched_decision AFTER INSERT ON fact "  # noqa: S608 - own names
            "WHEN NEW.kind = 'pagereeve.pages.decided.v1' "
            "AND EXISTS (SELECT 1 FROM closed_period) BEGIN INSERT INTO closed_touched (period, printer, number) "
            f"VALUES ('', NEW.printer, {_NEXT}) {_AGAIN}; END"
        ),
        (
            "CREATE TRIGGER closed_touched_no_delete BEFORE DELETE ON closed_touched "
            "WHEN NOT EXISTS (SELECT 1 FROM closed_period WHERE touched >= OLD.number) "
            "BEGIN SELECT RAISE(ABORT, 'what changed since a close is never forgotten'); END"
        ),
        (
            "CREATE TRIGGER closed_touched_no_update BEFORE UPDATE ON closed_touched "
            "WHEN NEW.period IS NOT OLD.period OR NEW.printer IS NOT OLD.printer OR NEW.number <= OLD.number "
            "BEGIN SELECT RAISE(ABORT, 'what changed since a close is never forgotten'); END"
        ),
        (
            "CREATE TRIGGER closed_period_touched BEFORE UPDATE OF touched ON closed_period "
            "BEGIN SELECT RAISE(ABORT, 'a closed period is never changed'); END"
        ),
    ),
}


def upgrade() -> None:
    op.add_column("closed_period", sa.Column("touched", sa.BigInteger(), autoincrement=False, nullable=True))
    op.create_table(
        "closed_touched",
        sa.Column("period", sa.Text(), nullable=False),
        sa.Column("printer", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("period", "printer", name="pk_closed_touched"),
    )
    op.create_index("ix_closed_touched_number", "closed_touched", ["number"])
    bind = op.get_bind()
    # What came after closes that an older version made was noted by nobody: every printer is looked at once more.
    bind.execute(
        sa.text(
            "INSERT INTO closed_touched (period, printer, number) SELECT one.name, known.printer, 1 FROM closed_period "
            "AS one CROSS JOIN (SELECT DISTINCT printer FROM row_segment) AS known"
        )
    )
    bind.execute(
        sa.text(
            "INSERT INTO closed_touched (period, printer, number) SELECT DISTINCT '', printer, 1 FROM fact "
            "WHERE kind = 'pagereeve.pages.decided.v1' AND EXISTS (SELECT 1 FROM closed_period)"
        )
    )
    for statement in GUARDS.get(bind.dialect.name, ()):
        op.execute(statement)
