"""The journal that the settings name: a file in the data folder, or a database; one way to open either."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

from sqlalchemy import Connection

from pagereeve.app import log_lines as told
from pagereeve.app.clocks import SystemEntropy
from pagereeve.app.start_options import StartOptions
from pagereeve.ports.clock import Clock
from pagereeve.ports.hints import Hints
from pagereeve.ports.secrets import NoSecret
from pagereeve.settings import Settings
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.store.errors import Away, CantOpen, NoJournalYet
from pagereeve.store.memory.hints import SoleHolder
from pagereeve.store.postgres.address import Address
from pagereeve.store.sql.group_writer import QUEUE_DEPTH_MAX
from pagereeve.store.sqlite.credential_changes import changes
from pagereeve.store.sqlite.files import JOURNAL_NAME, archives_path
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads

if TYPE_CHECKING:
    from pagereeve.store.postgres.connections import Company
    from pagereeve.store.postgres.journal import PostgresJournal
    from pagereeve.store.postgres.reads import PostgresReads

JournalPlace = Path | Address
RunningJournal: TypeAlias = "SqlJournal | PostgresJournal"
NOTES: Final = "journal-*.newest"
"""What is noted of the newest commit in a database (store/postgres/kept_newest.py)."""
PLAIN_START: Final = StartOptions()
NO_DRIVER = "asyncpg is not installed, which it needs: install pagereeve[postgres]"


def place_of(settings: Settings) -> JournalPlace:
    """Raises BadSettings where the password can't be read."""
    try:
        address = settings.journal.address()
    except NoSecret as error:
        raise BadSettings("the journal", [Problem("journal.password_file", str(error))]) from error
    file = (settings.data_dir / JOURNAL_NAME).absolute()
    return file if address is None else replace(address, archives=archives_path(file))


def may_be_there(place: JournalPlace) -> bool:
    """False only where there is surely none yet."""
    return not isinstance(place, Path) or place.exists()


async def reads_if_any(place: JournalPlace) -> SqlReads | PostgresReads | None:
    """As ``reads_of``; None where no daemon ever ran."""
    if isinstance(place, Path) and not place.exists():
        return None
    try:
        return await reads_of(place)
    except NoJournalYet:
        return None


async def reads_of(place: JournalPlace) -> SqlReads | PostgresReads:
    """For reading, beside a daemon too. Raises CantOpen or one of its kinds."""
    if isinstance(place, Path):
        return await SqlReads.open_for_reading(place)
    try:
        from pagereeve.store.postgres.reads import PostgresReads  # noqa: PLC0415 - an extra's
    except ImportError as error:
        raise CantOpen(str(place), NO_DRIVER) from error
    return await PostgresReads.open_for_reading(place)


async def reads_of_opened(place: JournalPlace) -> SqlReads | PostgresReads:
    """As ``reads_of``, for a process of a daemon that has opened it: where its database is away meanwhile, each
    question hears so, until it is back.
    """
    try:
        return await reads_of(place)
    except Away:
        from pagereeve.store.postgres.reads import PostgresReads  # noqa: PLC0415 - an extra's

        if isinstance(place, Path):
            raise
        return PostgresReads(place)


async def open_journal(settings: Settings, clock: Clock, options: StartOptions) -> SqlJournal | PostgresJournal:
    """The daemon's own. Raises CantOpen or one of its kinds, BadSettings."""
    place, depth = place_of(settings), settings.limits.intake_queue_max
    if isinstance(place, Path):
        return await SqlJournal.open(
            place,
            clock,
            new=options.new,
            accept_loss=options.accept_loss,
            beside=tuple(one for one in (settings.badge_key_file,) if one.parent == settings.data_dir),
            queue_depth_max=depth,
        )
    file = settings.data_dir / JOURNAL_NAME
    traces = [*([file] if file.exists() else []), *sorted(settings.data_dir.glob(NOTES))]
    try:
        company: Company = "shared" if settings.journal.shared else "alone"
        may_make, folder = options.new or not traces, settings.data_dir
        return await _in_database(
            place, clock, depth, may_make=may_make, options=options, note_in=folder, company=company
        )
    except NoJournalYet as error:
        raise CantOpen(str(place), _not_begun(file, traces)) from error


def _not_begun(file: Path, traces: Sequence[Path]) -> str:
    if file in traces:
        return (
            f"is empty, and a journal lies in {file}: pagereeve move brings that one into the database; start once "
            "with --new to begin an empty one there, and leave the file as it is"
        )
    return (
        f"is empty, though {traces[0]} shows that a journal was in a database: name that one, or put it back; or start "
        "once with --new, which begins an empty one"
    )


async def _in_database(
    place: Address,
    clock: Clock,
    queue_depth_max: int = QUEUE_DEPTH_MAX,
    *,
    may_make: bool = True,
    options: StartOptions = PLAIN_START,
    note_in: Path | None = None,
    company: Company = "alone",
) -> PostgresJournal:
    try:
        from pagereeve.store.postgres.journal import PostgresJournal  # noqa: PLC0415 - an extra's
    except ImportError as error:
        raise CantOpen(str(place), NO_DRIVER) from error
    journal = await PostgresJournal.open(
        place,
        clock,
        SystemEntropy(),
        company=company,
        may_make=may_make,
        new=options.new,
        accept_loss=options.accept_loss,
        note_in=note_in,
        queue_depth_max=queue_depth_max,
    )
    if journal.unfinished:
        told.unfinished(str(place), journal.unfinished)
    return journal


def hints_of(journal: RunningJournal) -> Hints:
    """Who watches what: rows of a database; a file has one holder of everything."""
    return SoleHolder() if isinstance(journal, SqlJournal) else journal.hints()


@asynccontextmanager
async def open_alone(
    place: JournalPlace, clock: Clock, *, may_make: bool = False, beside: bool = False
) -> AsyncIterator[RunningJournal]:
    """For a command that changes what is there: no daemon may run. Raises CantOpen or one of its kinds.

    ``may_make``: where no daemon ever ran, an empty one is made. ``beside``: daemons that share a database may run.
    """
    if isinstance(place, Path):
        if not may_make:
            require_there(place)
        journal: RunningJournal = await SqlJournal.open(place, clock)
    else:
        company: Company = "shared" if beside else "alone"
        journal = await _in_database(place, clock, may_make=may_make, company=company)
    try:
        yield journal
    finally:
        await journal.close()


async def change_credentials(place: JournalPlace, work: Callable[[Connection], None]) -> None:
    """``work`` in a short transaction of its own, beside a daemon or without one; what it raises undoes it.

    Raises CantOpen or one of its kinds, JournalUnavailable.
    """
    if isinstance(place, Path):
        with changes(place) as connection:
            work(connection)
        return
    try:
        from pagereeve.store.postgres.credential_changes import change  # noqa: PLC0415 - an extra's
    except ImportError as error:
        raise CantOpen(str(place), NO_DRIVER) from error
    await change(place, work)


def require_there(place: JournalPlace) -> None:
    """Of a database only its server can tell. Raises CantOpen."""
    if isinstance(place, Path) and not place.is_file():
        raise CantOpen(place, "there is no such file; the daemon creates it at its first start")


def require_file(settings: Settings) -> None:
    """For what works on a journal's file alone. Raises CantOpen, which says what to do instead."""
    if settings.journal.url is not None:
        raise CantOpen(
            str(place_of(settings)),
            "this command works on a journal that is a file. Copies of one in PostgreSQL are its server's: pg_dump, or "
            "pg_basebackup with its write-ahead log; put one back with pg_restore while no daemon runs, then pagereeve "
            "verify. pagereeve docs backup tells more",
        )
