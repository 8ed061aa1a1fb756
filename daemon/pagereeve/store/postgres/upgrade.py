"""Bringing a database to the tables of this program, while workers of the version before may still be at work.

A revision has two halves. ``upgrade`` *expands*: what it adds the version before need not know. ``contract``, where
there is one, takes away what that version needs; it is done once no program of an older revision is at work
(revisions.py), and shuts these out from then on. A program that finds revisions of a later version goes on until then.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection, inspect, text

from pagereeve.store.errors import MoveUnfinished, NewerSchema, NoJournalYet, NotAJournal, OlderAtWork
from pagereeve.store.postgres.revisions import (
    OWN,
    REVISION,
    least,
    number_of,
    older_programs,
    raise_least,
    shut_out_older,
    too_old,
)

if TYPE_CHECKING:
    from alembic.config import Config
    from alembic.script import Script

MOVE_TABLES: Final = ("journal_move", "journal_move_table")
"""They stand there while a journal is moved into the database (store/postgres/moving.py), and no longer."""
ONE_AT_A_TIME: Final = "SELECT pg_advisory_xact_lock(5786930140093834614)"
# Whoever stores a group takes it first, so that none is under way; and a table that a long question reads is not waited
# for so long that all others, who come in line behind, wait with us.
_ALONE: Final = ("SET LOCAL lock_timeout = '2s'", "SELECT 1 FROM seal FOR UPDATE")


def config() -> Config:
    from alembic.config import Config  # noqa: PLC0415 - it takes a third of a second to import

    settings = Config()
    folder = Path(__file__).parents[1] / "migrations" / "postgres"
    settings.set_main_option("script_location", str(folder).replace("%", "%%"))
    settings.set_main_option("path_separator", "os")
    return settings


def upgrade(connection: Connection, name: str, *, may_make: bool = True, moving: bool = False) -> bool:
    """The first halves, in one transaction, one worker at a time. Whether it was empty.

    Raises NewerSchema, OlderAtWork or NotAJournal; the database is then as it was. NoJournalYet where it is empty, and
    no journal may be made. MoveUnfinished where a journal is being moved into it, unless that is ``moving``.
    """
    with connection.begin():
        connection.exec_driver_sql(ONE_AT_A_TIME)
        revision = _revision(connection, name, moving=moving)
        if revision is None and not may_make:
            raise _empty(name)
        if revision is not None:
            _require_ours(connection, name)
            if number_of(revision) >= OWN:
                return False
            _require_finished(connection, name, number_of(revision))
            for statement in _ALONE:
                connection.exec_driver_sql(statement)
        from alembic import command  # noqa: PLC0415 - as above

        settings = config()
        settings.attributes["connection"] = connection
        command.upgrade(settings, REVISION)
        return revision is None


def finish(connection: Connection, name: str) -> str:
    """The second halves, in one transaction, where no older program is at work; else nothing is done, and it says who
    is. Nothing either where a later version has been here: it does so itself. Raises as ``upgrade``.
    """
    with connection.begin():
        connection.exec_driver_sql(ONE_AT_A_TIME)
        revision = _revision(connection, name)
        if revision != REVISION:
            return ""
        return _finished(connection, OWN)


def require_usable(connection: Connection, name: str) -> None:
    """For those who only read: raises NewerSchema, NotAJournal or MoveUnfinished unless the tables will do."""
    revision = _revision(connection, name)
    if revision is None:
        raise _empty(name)
    _require_ours(connection, name)
    if number_of(revision) < OWN:
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
    if not {"alembic_version", "fact", "schema_least"} <= tables:
        raise other_tables(name, tables)
    revisions = connection.execute(text("SELECT version_num FROM alembic_version")).scalars().all()
    if len(revisions) != 1:
        raise NotAJournal(name, f"names {len(revisions)} schema revisions instead of one; restore it from a copy")
    return str(revisions[0])


def other_tables(name: str, tables: Collection[str]) -> NotAJournal:
    return NotAJournal(name, f"holds other tables ({', '.join(sorted(tables)[:4])}); name another database")


def _require_ours(connection: Connection, name: str) -> None:
    """Raises NewerSchema where a later version took away what we need."""
    if (number := least(connection)) > OWN:
        raise NewerSchema(name, too_old(number))


def _require_finished(connection: Connection, name: str, there: int) -> None:
    """Before the next version adds to what the last one began. Raises OlderAtWork."""
    if who := _finished(connection, there):
        raise OlderAtWork(
            name,
            f"a program of an older version still works with it: {who}. Two versions may share a database, three may "
            "not: bring that one to the version between first, or stop it",
        )


def _finished(connection: Connection, upto: int) -> str:
    """The second halves of revisions up to ``upto``; who is in the way, empty where nobody is."""
    done = least(connection)
    pending = [one for one in _scripts() if done < number_of(one.revision) <= upto and hasattr(one.module, "contract")]
    if not pending:
        return ""
    newest = number_of(pending[-1].revision)
    if not shut_out_older(connection, newest):
        return older_programs(connection, newest) or "one that just ends"
    for statement in _ALONE:
        connection.exec_driver_sql(statement)
    from alembic.migration import MigrationContext  # noqa: PLC0415 - as above
    from alembic.operations import Operations  # noqa: PLC0415 - as above

    with Operations.context(MigrationContext.configure(connection)):
        for one in pending:
            one.module.contract()
    raise_least(connection, newest)
    return ""


def _scripts() -> Sequence[Script]:
    """The oldest first."""
    from alembic.script import ScriptDirectory  # noqa: PLC0415 - as above

    return list(ScriptDirectory.from_config(config()).walk_revisions())[::-1]
