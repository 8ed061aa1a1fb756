"""A period is closed in many small transactions: until its own row stands, its parts may go; what changes is noted."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "r0014"
down_revision = "r0013"
phase = "expand"

# As r0012 has them, but for periods that are being closed: what is written after their rows were looked at, too.
_NEXT: Final = (
    "1 + max(coalesce((SELECT max(number) FROM closed_touched), 0), "
    "coalesce((SELECT touched FROM closed_period ORDER BY to_us DESC LIMIT 1), 0))"
)
_AGAIN: Final = "ON CONFLICT (period, printer) DO UPDATE SET number = excluded.number"


def _touched(event: str, table: str, at_us: str) -> tuple[str, str]:
    row = "NEW" if event == "INSERT" else "OLD"
    at = f"{row}.{at_us}"
    name, within = f"closed_touched_{table}_{event.lower()}", f"WHERE to_us > {at} AND from_us <= {at}"
    return (
        f"DROP TRIGGER {name}",
        (
            f"CREATE TRIGGER {name} AFTER {event} ON {table} "  # noqa: S608 - own names
            f"WHEN {at} < (SELECT max(to_us) FROM closed_period) OR {at} < (SELECT max(to_us) FROM closing_period) "
            f"BEGIN INSERT INTO closed_touched (period, printer, number) SELECT name, {row}.printer, {_NEXT} "
            f"FROM (SELECT name FROM closed_period {within} UNION SELECT name FROM closing_period {within}) "
            f"WHERE true {_AGAIN}; END"
        ),
    )


GUARDS: Final = {
    "sqlite": (
        *(
            statement
            for table, at_us in (("charge", "started_us"), ("stretch", "closes_us"))
            for event in ("INSERT", "DELETE")
            for statement in _touched(event, table, at_us)
        ),
        "DROP TRIGGER closed_touched_decision",
        (
            "CREATE TRIGGER closed_touched_decision AFTER INSERT ON fact "  # noqa: S608 - own names
            "WHEN NEW.kind = 'pagereeve.pages.decided.v1' "
            "AND (EXISTS (SELECT 1 FROM closed_period) OR EXISTS (SELECT 1 FROM closing_period)) "
            "BEGIN INSERT INTO closed_touched (period, printer, number) "
            f"VALUES ('', NEW.printer, {_NEXT}) {_AGAIN}; END"
        ),
        "DROP TRIGGER closed_part_no_delete",
        (
            "CREATE TRIGGER closed_part_no_delete BEFORE DELETE ON closed_part "
            "WHEN EXISTS (SELECT 1 FROM closed_period WHERE name = OLD.period) "
            "BEGIN SELECT RAISE(ABORT, 'frozen rows are never deleted'); END"
        ),
    ),
}


def upgrade() -> None:
    op.create_table(
        "closing_period",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("attempt", sa.Text(), nullable=False),
        sa.Column("from_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("to_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("since_us", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_closing_period"),
    )
    for statement in GUARDS.get(op.get_bind().dialect.name, ()):
        op.execute(statement)
