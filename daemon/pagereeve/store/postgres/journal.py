"""The journal and the ledger in a PostgreSQL database: ports.journal.Journal, ports.ledger.LedgerStore, ports.queries.

Several processes may have it open at once, each as a ``PostgresJournal`` of its own.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import AsyncExitStack
from functools import partial
from pathlib import Path
from typing import Final, Self, TypeVar

from sqlalchemy import Connection, select
from sqlalchemy.exc import DBAPIError

from pagereeve.domain.values.instants import to_text
from pagereeve.ports.archives import Room
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.journal import HINDRANCES, Hindrance, JournalUnavailable
from pagereeve.ports.queries import JournalHealth
from pagereeve.store.errors import CantOpen, cant_open, not_let_in, unavailable
from pagereeve.store.newest import Found, NewestFile, read_newest
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.appending import SharedHeads
from pagereeve.store.postgres.committing import Committer, begin_archiving, raise_fence, size_bytes
from pagereeve.store.postgres.connecting import Limits
from pagereeve.store.postgres.connections import WRITER_LIMITS, Company, WriterConnection, rewrite
from pagereeve.store.postgres.following import PostgresFollowing
from pagereeve.store.postgres.hints import PostgresHints
from pagereeve.store.postgres.kept_newest import KeptNewest, begun_anew, examined, note_path, notes_in
from pagereeve.store.postgres.opening_check import require_fit
from pagereeve.store.postgres.reads import PostgresReads
from pagereeve.store.postgres.sqlstates import is_clash
from pagereeve.store.postgres.upgrade import finish, upgrade
from pagereeve.store.postgres.writer import HANGS_S, Writer
from pagereeve.store.records.requests import append_request
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.closing_parts import forget_attempts
from pagereeve.store.sql.group_writer import GROUP_MAX, QUEUE_DEPTH_MAX
from pagereeve.store.sql.journal_writes import JournalWrites
from pagereeve.store.sql.seal import read_state_of

Result = TypeVar("Result")

BEGINNINGS_MAX: Final = 8
UPGRADES_MAX: Final = 30
UPGRADE_AGAIN_S: Final = 2.0
BUSY_S: Final = 1.0
"""Nothing else is asked of a server that has had a group for so long: whether it hangs that group tells."""
SIZE_EVERY_US: Final = 5_000_000
"""It shows as well that the server answers, where nobody stores anything."""

_IN_USE: Final = "another daemon works with it; stop that one first"
_NOT_SHARED: Final = (
    "a daemon or a command that must be the only one works with it; wait for the command, or set shared = true under "
    "[journal] of each daemon"
)
_VERSION: Final = schema.rows_version.c


class PostgresJournal(JournalWrites, PostgresReads):
    def __init__(
        self,
        address: Address,
        clock: Clock,
        fence: int,
        connection: WriterConnection,
        writer: Writer,
        held: AsyncExitStack,
        *,
        alone: bool = False,
        fence_before: int = 0,
    ) -> None:
        JournalWrites.__init__(self, clock, writer, writer.committer)
        PostgresReads.__init__(self, address)
        self._address = address
        self._reader.refusal = writer.refusal
        self.fence = fence
        self.unfinished = ""
        """Who still needs what an older version needs, so that it was left as it is; empty where nothing was left."""
        self._writer = writer
        self._connection = connection
        self._held = held
        self._alone = alone
        self._fence_before = fence_before
        self._opened_place = writer.sealed_facts
        self._size_bytes = 0
        self._next_size_us = 0

    @classmethod
    async def open(
        cls,
        address: Address,
        clock: Clock,
        entropy: Entropy,
        *,
        company: Company = "any",
        may_make: bool = True,
        new: bool = False,
        accept_loss: bool = False,
        note_in: Path | None = None,
        in_turn: bool = True,
        queue_depth_max: int = QUEUE_DEPTH_MAX,
        group_max: int = GROUP_MAX,
        limits: Limits = WRITER_LIMITS,
    ) -> Self:
        """Makes or upgrades the tables where needed. Raises store.errors.CantOpen or one of its kinds.

        ``company``: as long as it is open nobody else is that may not be; InUse where there is somebody. ``may_make``:
        an empty database gets the tables, else NoJournalYet; ``new``: one that is not empty is refused. ``in_turn``:
        see SharedHeads. ``note_in``: the folder in which the newest commit is noted. A database that holds less than is
        noted there is refused, unless ``accept_loss``: then a LossAccepted is the next fact.
        """
        name = str(address)
        connection = WriterConnection(address, company=company, limits=limits)
        async with AsyncExitStack() as held:
            held.push_async_callback(connection.close)
            committer = Committer(SharedHeads(in_turn=in_turn, others=company != "alone"))
            try:
                await connection.run(partial(require_fit, name=name, limits=limits))
                if not await _upgraded(connection, name, entropy, may_make=may_make) and new:
                    raise CantOpen(name, "there is a journal in it already; start without --new")
                unfinished = await _finished(connection, name)
                found = await _examined(connection, name, note_in, new=new, accept_loss=accept_loss)
                fence = await connection.run(partial(raise_fence, now_us=clock.now_us()))
                committer.heads.writer = fence
                await _begin_seal(connection, committer, clock.now_us(), name)
                kept = await _kept(connection, name, note_in)
                held.callback(kept.close)
                if found.loss is None:
                    await connection.run(partial(kept.begin, fence=fence))
                connection.check = kept.require
                if company == "alone":
                    await connection.run(forget_attempts)
            except JournalUnavailable as error:
                raise not_let_in(name, error, _IN_USE if company == "alone" else _NOT_SHARED) from error
            except (DBAPIError, OSError) as error:
                raise cant_open(name, error) from error
            writer = Writer(
                connection, name, clock, entropy, committer, kept, queue_depth_max=queue_depth_max, group_max=group_max
            )
            if found.loss is not None:
                # Its commit is the first that is noted: a start that dies before it is refused again.
                held.push_async_callback(writer.close)
                await writer.submit(append_request(found.fact(fence, clock.now_us())))
                await connection.run(partial(kept.begin, fence=fence))
            is_alone, before = company == "alone", found.fence
            journal = cls(
                address, clock, fence, connection, writer, held.pop_all(), alone=is_alone, fence_before=before
            )
            journal.unfinished = unfinished
            return journal

    async def close(self) -> None:
        """Stores what is in line, and ends. A second call does nothing."""
        try:
            await self._writer.close()
        finally:
            await PostgresReads.close(self)
            await self._held.aclose()

    async def _run(self, work: Callable[[Connection], Result]) -> Result:
        try:
            return await self._connection.run(work)
        except (DBAPIError, OSError) as error:
            raise unavailable(self._name, error) from error

    def hints(self) -> PostgresHints:
        """What this worker watches and does, under its fence; whoever asks closes it, before the journal."""
        return PostgresHints(self._address, self.fence, alone=self._alone, before=self._fence_before)

    @property
    def clashes(self) -> int:
        """How often a group was joined again, as somebody else had stored something meanwhile."""
        return self._writer.clashes

    async def rows_version(self, printer: str) -> int:
        """ports.ledger.RowWrites."""
        row = await self._reader.first(select(_VERSION.version).where(_VERSION.printer == printer))
        return 0 if row is None else int(row.version)

    def following(self, *, listens: bool = True) -> PostgresFollowing:
        """ports.store.Store; the caller closes it. ``listens`` False: only the look each second tells."""
        own, damage = self._writer.committer.heads.own, self._reader.damage
        return PostgresFollowing(
            self._address, self._connection, own, self._opened_place, damage, listens=listens, fence=self.fence
        )

    async def rewrite(self) -> None:
        """Make the tables anew, so that nothing of what was replaced or deleted is left in their files. What the server
        keeps of its write-ahead log, and copies, are its own. Raises JournalUnavailable.
        """
        try:
            await rewrite(self._address, [table.name for table in schema.metadata.sorted_tables])
        except OSError as error:
            raise unavailable(self._name, error) from error

    async def begin_archiving(self) -> None:
        """Raises JournalUnavailable where another does so."""
        if not await self._run(begin_archiving):
            raise JournalUnavailable(f"another pagereeve archive works with journal {self._name}", "busy")

    async def room(self) -> Room:
        """Raises JournalUnavailable."""
        return Room(await self._run(size_bytes), None)

    async def checkpoint(self) -> bool:
        """The server's own (``checkpoint_timeout``): nothing is left to be done."""
        return True

    async def look(self) -> str:
        """To be called each second. Where the last group was not stored, it looks whether one would be now."""
        if self._writer.alive and self._writer.hangs():
            self._writer.refuse_those_in_line()
        elif self._writer.alive and self._writer.hindered is not None:
            await self._writer.probe()
        elif (
            self._writer.alive
            and not self._writer.asked_s > BUSY_S
            and self._clock.monotonic_us() >= self._next_size_us
        ):
            self._next_size_us = self._clock.monotonic_us() + SIZE_EVERY_US
            try:
                self._size_bytes = await self._connection.run(size_bytes, HANGS_S)
            except (DBAPIError, OSError, JournalUnavailable) as error:
                self._writer.hinder(error)
        try:
            await asyncio.to_thread(self._writer.kept.sync)
        except OSError as error:
            self._writer.hinder(error)
        return self.trouble()

    def trouble(self) -> str:
        """Empty while it can store."""
        if not self._writer.alive:
            return "nothing can be stored any more; see the log"
        hindered, since_us = self._writer.hindered, self._writer.hindered_since_us
        if hindered is None or since_us is None:
            return ""
        return f"{HINDRANCES[hindered.hindrance]} since {to_text(since_us)}: {hindered}"

    def _hindrance(self) -> Hindrance | None:
        """None while it can store."""
        if not self._writer.alive:
            return "closed"
        if self._writer.hindered is not None:
            return self._writer.hindered.hindrance
        return "silent" if self._writer.silent else None

    def health(self) -> JournalHealth:
        return self._writer.health(
            fence=self.fence,
            hindrance=self._hindrance(),
            damaged_rows=len(self.damaged()),
            database_size_bytes=self._size_bytes,
        )


async def _upgraded(connection: WriterConnection, name: str, entropy: Entropy, *, may_make: bool) -> bool:
    """Whether it was empty. Between two tries others go on, whom a wait for a table would hold up."""
    for attempt in range(1, UPGRADES_MAX + 1):
        try:
            return await connection.run(partial(upgrade, name=name, may_make=may_make))
        except DBAPIError as error:
            if attempt == UPGRADES_MAX or not is_clash(error):
                raise
        await asyncio.sleep(UPGRADE_AGAIN_S * (0.5 + entropy.jitter()))
    raise AssertionError("unreachable")


async def _finished(connection: WriterConnection, name: str) -> str:
    """Why what an older version needs is left as it is; empty where nothing is left."""
    try:
        return await connection.run(partial(finish, name=name))
    except DBAPIError as error:
        if not is_clash(error):
            raise
        return "its tables are just read"


async def _examined(
    connection: WriterConnection, name: str, folder: Path | None, *, new: bool, accept_loss: bool
) -> Found:
    if folder is None:
        return Found(None)
    if new:
        return begun_anew(notes_in(folder))
    return await connection.run(partial(examined, name=name, folder=folder, accept_loss=accept_loss))


async def _kept(connection: WriterConnection, name: str, folder: Path | None) -> KeptNewest:
    if folder is None:
        return KeptNewest(name)
    path = note_path(folder, (await connection.run(read_state_of)).origin)
    return KeptNewest(name, file=NewestFile.open(path, read_newest(path)))


async def _begin_seal(connection: WriterConnection, committer: Committer, now_us: int, name: str) -> None:
    """Two workers may begin an empty journal at once: one of them makes the seal's row."""
    for attempt in range(1, BEGINNINGS_MAX + 1):
        try:
            await connection.run(partial(committer.heads.sealing.begin, now_us=now_us, path=name))
        except DBAPIError as error:
            committer.heads.forget()
            if attempt == BEGINNINGS_MAX or not is_clash(error):
                raise
        else:
            return
