"""Facts take less room: bodies are packed, digests and links are bytes, and their indexes hold no more than finds them.

Rows of before stay as they are, and are read as before; which form a row has its type says. So the time this takes is
that of its indexes. Charges are found by printer and by owner, too.
"""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "r0013"
down_revision = "r0012"
phase = "contract"

GUARDS: Final = {
    "sqlite": (
        "DROP TRIGGER fact_no_update",
        # As before, but for salts that are bytes: one of them may hold the sign that tells of something erased.
        (
            "CREATE TRIGGER fact_no_update "
            "BEFORE UPDATE OF printer, seq, kind, source, event_id, release, body, digest "
            "ON fact WHEN NEW.printer IS NOT OLD.printer OR NEW.seq IS NOT OLD.seq OR NEW.kind IS NOT OLD.kind "
            "OR NEW.source IS NOT OLD.source OR NEW.release IS NOT OLD.release OR NOT EXISTS (SELECT 1 FROM seal_entry "
            "WHERE printer = OLD.printer AND seq = OLD.seq AND typeof(openings) = 'text' AND instr(openings, '=') > 0) "
            "BEGIN SELECT RAISE(ABORT, 'a fact is never changed'); END"
        ),
        # What the index of identities forbade while it held sources, too. The sign keeps SQLite from looking for a row
        # among all that the source sent (sqlite.org/optoverview.html, "Disqualifying WHERE Clause Terms").
        (
            "CREATE TRIGGER fact_once BEFORE INSERT ON fact WHEN NEW.event_id IS NOT NULL AND EXISTS "
            "(SELECT 1 FROM fact WHERE event_id = NEW.event_id AND +source = NEW.source) "
            "BEGIN SELECT RAISE(ABORT, 'an event is stored once'); END"
        ),
    ),
}


def upgrade() -> None:
    for name in ("ix_fact_identity", "ix_fact_release"):
        op.drop_index(name, "fact")
    for name, columns, column in (
        ("ix_fact_identity", ["event_id"], "event_id"),
        ("ix_fact_release", ["release", "at_us"], "release"),
    ):
        where = sa.text(f"{column} IS NOT NULL")
        op.create_index(name, "fact", columns, sqlite_where=where, postgresql_where=where)
    op.create_index("ix_charge_printer_started", "charge", ["printer", "started_us", "closed_us"])
    op.create_index("ix_charge_owner_started", "charge", ["owner", "started_us"])
    for statement in GUARDS.get(op.get_bind().dialect.name, ()):
        op.execute(statement)
