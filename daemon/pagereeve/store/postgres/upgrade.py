"""Bringing a database to the tables of this program, while workers of the version before may still be at work.

A revision is an *expand* (what it adds the version before need not know) or a *contract* (it takes away what that one
needs). ``schema_step`` says of each that was applied which it is: a program that finds revisions of a later version
goes on where all of these are expands, and is refused after a contract.
"""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection, inspect, text

from pagereeve.store.errors import MoveUnfinished, NewerSchema, NoJournalYet, NotAJournal

if TYPE_CHECKING:
    from alembic.config import Config
    from alembic.script import ScriptDirectory

REVISION: Final = "p0001"
"""The newest that this program knows."""
PHASES: Final = ("expand", "contract")
MOVE_TABLES: Final = ("journal_move", "journal_move_table")
"""They stand there while a journal is moved into the database (store/postgres/moving.py), and no longer."""
ONE_AT_A_TIME: Final = "SELECT pg_advisory_xact_lock(5786930140093834614)"
_STEPS: Final = (
    "CREATE TABLE IF NOT EXISTS schema_step (revision text PRIMARY KEY, phase text NOT NULL "
    "CHECK (phase IN ('expand', 'contract')))"
)


def config() -> Config:
    from alembic.config import Config  # noqa: PLC0415 - it takes a third of a second to import

    settings = Config()
    folder = Path(__file__).parents[1] / "migrations" / "postgres"
    settings.set_main_option("script_location", str(folder).replace("%", "%%"))
    settings.set_main_option("path_separator", "os")
    return settings


def upgrade(connection: Connection, name: str, *, may_make: bool = True, moving: bool = False) -> bool:
    """In one transaction, one worker at a time. Whether it was empty.

    Raises NewerSchema or NotAJournal; the database is then as it was. NoJournalYet where it is empty, and no journal
    may be made. MoveUnfinished where a journal is being moved into it, unless that is ``moving``.
    """
    with connection.begin():
        connection.exec_driver_sql(ONE_AT_A_TIME)
        revision = _revision(connection, name, moving=moving)
        if revision == REVISION or (revision is not None and _is_of_later(connection, name, revision)):
            return False
        if revision is None and not may_make:
            raise _empty(name)
        from alembic import command  # noqa: PLC0415 - as above
        from alembic.script import ScriptDirectory  # noqa: PLC0415 - as above

        settings = config()
        settings.attributes["connection"] = connection
        command.upgrade(settings, REVISION)
        _note(connection, ScriptDirectory.from_config(settings))
        return revision is None


def require_usable(connection: Connection, name: str) -> None:
    """For those who only read: raises NewerSchema, NotAJournal or MoveUnfinished unless the tables will do."""
    revision = _revision(connection, name)
    if revision is None:
        raise _empty(name)
    if revision != REVISION and not _is_of_later(connection, name, revision):
        raise NewerSchema(name, f"has schema {revision}, not {REVISION}; let the daemon of this version open it")


def _empty(name: str) -> NoJournalYet:
    return NoJournalYet(name, "is empty; the daemon makes the journal at its first start")


def _revision(connection: Connection, name: str, *, moving: bool = False) -> str | None:
    """None for an empty database."""
    tables = set(inspect(connection).get_table_names())
    if moving:
        tables.difference_update(MOVE_TABLES)
    elif tables.intersection(MOVE_TABLES):
        raise MoveUnfinished(name, "a move into this database is not finished; run pagereeve move again")
    if not tables:
        return None
    if "alembic_version" not in tables or "fact" not in tables:
        raise other_tables(name, tables)
    revisions = connection.execute(text("SELECT version_num FROM alembic_version")).scalars().all()
    if len(revisions) != 1:
        raise NotAJournal(name, f"names {len(revisions)} schema revisions instead of one; restore it from a copy")
    return str(revisions[0])


def other_tables(name: str, tables: Collection[str]) -> NotAJournal:
    return NotAJournal(name, f"holds other tables ({', '.join(sorted(tables)[:4])}); name another database")


def _is_of_later(connection: Connection, name: str, revision: str) -> bool:
    """Did a later version make it, and leave all that we need? Raises NewerSchema where it did not leave it."""
    phases = {row[0]: row[1] for row in connection.execute(text("SELECT revision, phase FROM schema_step"))}
    known = known_revisions()
    if revision in known:
        return False
    later = {phases[one] for one in phases if one not in known}
    if revision not in phases or later != {"expand"}:
        raise NewerSchema(name, f"has schema {revision}, which this version can't use any more; install the newer one")
    return True


def known_revisions() -> set[str]:
    from alembic.script import ScriptDirectory  # noqa: PLC0415 - as above

    return {script.revision for script in ScriptDirectory.from_config(config()).walk_revisions()}


def _note(connection: Connection, scripts: ScriptDirectory) -> None:
    connection.exec_driver_sql(_STEPS)
    add = text("INSERT INTO schema_step (revision, phase) VALUES (:revision, :phase) ON CONFLICT DO NOTHING")
    for script in scripts.walk_revisions():
        connection.execute(add, {"revision": script.revision, "phase": script.module.phase})
