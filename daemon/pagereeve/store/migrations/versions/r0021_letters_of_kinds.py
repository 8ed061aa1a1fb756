"""Facts take less room: of the three kinds of which there are most a letter is stored (store/records/kind_forms.py).

Rows of before get it too, so that indexes and questions know one form. What is sealed is the body, which says its kind
itself and stays as it is.
"""

from __future__ import annotations

from typing import Final

from alembic import op

revision = "r0021"
down_revision = "r0020"
phase = "contract"

# Written out: what a later version makes of kinds is no part of this revision.
LETTERS: Final = {
    "pagereeve.badge.presented.v1": "b",
    "pagereeve.release.started.v1": "s",
    "pagereeve.release.ended.v1": "e",
}
_BY_KIND: Final = ("ix_fact_entrance", "ix_fact_unrouted")
_WORDS: Final = "SELECT sql FROM sqlite_schema WHERE name = ?"
_GUARD: Final = "fact_no_update"


def upgrade() -> None:
    connection = op.get_bind()
    beside = [str(connection.exec_driver_sql(_WORDS, (name,)).scalar_one()) for name in _BY_KIND]
    guard = str(connection.exec_driver_sql(_WORDS, (_GUARD,)).scalar_one())
    for name in _BY_KIND:
        connection.exec_driver_sql(f"DROP INDEX {name}")
    connection.exec_driver_sql(f"DROP TRIGGER {_GUARD}")
    cases = " ".join(f"WHEN '{kind}' THEN '{letter}'" for kind, letter in LETTERS.items())
    kinds = ", ".join(f"'{kind}'" for kind in LETTERS)
    connection.exec_driver_sql(f"UPDATE fact SET kind = CASE kind {cases} END WHERE kind IN ({kinds})")  # noqa: S608 - own names
    connection.exec_driver_sql(guard)
    for sql in beside:
        connection.exec_driver_sql(_with_letters(sql))


def _with_letters(sql: str) -> str:
    for kind, letter in LETTERS.items():
        sql = sql.replace(f"'{kind}'", f"'{letter}'")
    return sql
