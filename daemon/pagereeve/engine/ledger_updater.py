"""The rows of one printer, or of the badge checks, kept as the facts say: project, store, and begin again."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Generator
from dataclasses import dataclass, field
from typing import Generic, Protocol, TypeVar

from pagereeve.domain.projection.projector import Update
from pagereeve.domain.projection.running_totals import RunningTotals
from pagereeve.domain.values.instants import FOREVER_US, SECOND_US
from pagereeve.engine.supervision.heartbeat import OPEN_LONGEST_S, Heartbeat
from pagereeve.engine.supervision.wakeup import seconds_until
from pagereeve.ports.archives import ArchiveUnread
from pagereeve.ports.clock import Clock
from pagereeve.ports.ledger import RowWrites, StaleRows

# A meter that stays silent for days leaves a long stretch open; projecting it may take this share of the time, no more.
# It takes long each time: a single long one among short ones is the machine's pause, and puts nothing off.
LONG_PROJECTION_US = 10_000
PROJECTION_SHARE = 50
# Rows that want an archive's file which is not there are tried again so much later.
ARCHIVE_AGAIN_US = 60 * SECOND_US
# As the latest resume point has it, and without a look for facts that no stored row knows (engine/printers/loading.py).
AS_STORED_US = FOREVER_US - 1
# So often, at its end, a loop projects anew what another projector came before with.
FINISHED_BY = 3


class Projector(Protocol):
    """What both projectors have: ``advance`` may be given an instant beyond which nothing is sure yet."""

    @property
    def anchor_us(self) -> int: ...

    def advance(self, limit_us: int | None = None, /) -> Update | None: ...


AnyProjector = TypeVar("AnyProjector", bound=Projector)


@dataclass(slots=True)
class LedgerUpdater(Generic[AnyProjector]):
    """Owned by one loop, which alone adds facts to ``projector`` and says so with ``changed``.

    ``open_projector(before_us)`` gives the projector as of the latest stored resume point before an instant, with all
    facts of the journal since; for FOREVER_US it also looks for facts that no stored row knows yet. ``dirty``: the
    stored rows may be other than the facts say. ``must_reopen``: the projector lacks what ``begin_again`` asked for.
    ``put_off``: a projection waits, because the last one took long, or ``gathers``: what follows at once changes the
    same rows.
    ``refused``: how often rows were not stored, because another projector had replaced them since the journal was read.
    ``archive_wanted``: why older rows are not made anew that should be (a file of an archive is not there); "" where
    none is wanted. Newer ones are made meanwhile. ``on_archive`` receives the name and that, when it changes.
    """

    name: str
    store: RowWrites
    clock: Clock
    heartbeat: Heartbeat
    open_projector: Callable[[int], Awaitable[AnyProjector]]
    projector: AnyProjector | None = None
    running_totals: RunningTotals = field(default_factory=RunningTotals)
    dirty: bool = False
    must_reopen: bool = False
    put_off: bool = False
    gathers: bool = False
    refused: int = 0
    archive_wanted: str = ""
    on_archive: Callable[[str, str], None] = lambda *_: None
    _archive_again_us: int = 0
    _late_unseen: bool = False
    _rested_us: int = 0
    _gathered_us: int = 0
    _version: int = 0
    _took_us: int = 0
    _begin_again_us: int | None = None
    _in_doubt: bool = False

    def changed(self, gather_s: float = 0.0) -> None:
        """A fact was added to the projector: its rows are to be projected and stored. For ``gather_s`` at the most they
        wait for what else comes, and are projected with it.
        """
        gathered_us = self.clock.monotonic_us() + int(gather_s * SECOND_US) if gather_s else 0
        self._gathered_us = min(gathered_us, self._gathered_us) if self.dirty else gathered_us
        self.dirty = True

    def hurry(self) -> None:
        """Somebody waits for the rows."""
        self._gathered_us = 0

    def begin_again(self, before_us: int) -> None:
        """Rows from that instant on are to be projected anew by what the journal holds, and stored: until that has
        succeeded it is not forgotten.
        """
        known_us = before_us if self._begin_again_us is None else self._begin_again_us
        self._begin_again_us = min(known_us, before_us)
        self.must_reopen = True
        self.changed()

    async def open(self) -> AnyProjector:
        """When the loop begins, or begins anew after a failure: the projector as the journal has it."""
        projector = await self._read_or_wait(FOREVER_US)
        self.must_reopen = self._begin_again_us is not None and not self.archive_wanted
        return projector

    def begin(self, projector: AnyProjector) -> AnyProjector:
        """As ``open``, where the journal holds nothing of it."""
        self.projector, self.running_totals = projector, RunningTotals()
        self._version = 0
        self.changed()
        self.must_reopen = self._begin_again_us is not None
        return projector

    async def reopen(self) -> AnyProjector:
        """The projector from before what is to begin again."""
        # What is asked for while the journal is read asks for one more.
        self.must_reopen = False
        return await self._read_or_wait(FOREVER_US if self._begin_again_us is None else self._begin_again_us)

    def is_to_reopen(self) -> bool:
        """``must_reopen``, or it is time to look for the file of an archive again."""
        late = bool(self.archive_wanted) and self.clock.monotonic_us() >= self._archive_again_us
        return self.must_reopen or late

    async def _read_or_wait(self, before_us: int) -> AnyProjector:
        """Where the file of an archive is wanted and is not there: the projector of the facts since. What was to begin
        again waits for the file; nothing is computed of a part of the facts, and the meter is read meanwhile.
        """
        try:
            projector = await self._read(before_us)
        except ArchiveUnread as error:
            self._archive_again_us = self.clock.monotonic_us() + ARCHIVE_AGAIN_US
            self._begin_again_us = min(before_us, FOREVER_US if self._begin_again_us is None else self._begin_again_us)
            self._late_unseen |= before_us == FOREVER_US
            self._want_archive(str(error))
            return await self._read(AS_STORED_US)
        if before_us != FOREVER_US and self._late_unseen:
            # It was not from there on, but from somewhere before: the look for it needs the file.
            self._begin_again_us = FOREVER_US
            return projector
        self._late_unseen = False
        self._want_archive("")
        return projector

    def _want_archive(self, why: str) -> None:
        if why != self.archive_wanted:
            self.archive_wanted = why
            self.on_archive(self.name, why)

    async def _read(self, before_us: int) -> AnyProjector:
        self._in_doubt = True
        self.heartbeat.does("reads its rows from the journal", OPEN_LONGEST_S)
        # Before all else: whatever another projector stores from now on is not known to this one.
        self._version = await self.store.rows_version(self.name)
        projector = await self.open_projector(before_us)
        self.running_totals = await self.store.running_totals(self.name, projector.anchor_us)
        self.projector = projector
        self._in_doubt = False
        self.changed()
        return projector

    def opened(self) -> AnyProjector:
        """Raises RuntimeError before ``open``."""
        if self.projector is None:
            raise RuntimeError(f"the rows of {self.name or 'badges'} are not read yet")
        return self.projector

    def may_project(self) -> bool:
        """False where nothing changed, or where that waits (``put_off``)."""
        now_us = self.clock.monotonic_us()
        self.gathers = self.dirty and now_us < self._gathered_us
        self.put_off = self.gathers or (self.dirty and now_us < self._rested_us)
        return self.dirty and not self.put_off

    def put_off_s(self) -> float:
        """Seconds until what is put off may be projected; 0 where nothing is."""
        return seconds_until(max(self._rested_us, self._gathered_us), self.clock) if self.put_off else 0.0

    def project(self, limit_us: int | None = None) -> Update | None:
        """Project what is open, whether it may be put off or not. ``keep`` must follow, also where nothing is new."""
        began_us = self.clock.monotonic_us()
        self._in_doubt = True
        update = self.opened().advance(limit_us)
        before_us, self._took_us = self._took_us, self.clock.monotonic_us() - began_us
        took_us = min(before_us, self._took_us)
        self._rested_us = began_us + (took_us * PROJECTION_SHARE if took_us > LONG_PROJECTION_US else 0)
        return update

    async def project_in_slices(self, work: Generator[None, None, Update | None]) -> Update | None:
        """As ``project``, by work of the projector that leaves the loop to others in between."""
        self._in_doubt = True
        while True:
            try:
                next(work)
            except StopIteration as ended:
                update: Update | None = ended.value
                return update
            await asyncio.sleep(0)

    async def keep(self, update: Update | None, put: Callable[[Update, int], Awaitable[None]] | None = None) -> None:
        """Store what a projection gave, by ``put`` where it goes together with something else. Raises
        JournalUnavailable, and then ``open`` must follow. Where another projector came first, ``must_reopen``.
        """
        if update is not None:
            try:
                if put is None:
                    await self.store.replace(self.name, update.from_anchor_us, update.segments, after=self._version)
                else:
                    await put(update, self._version)
            except StaleRows:
                self.refused += 1
                self.must_reopen = True
                self.changed()
                return
            self._version += 1
            self.running_totals.add(update)
        self._in_doubt = False
        if not self.must_reopen:
            # Only now: what could not be stored must be begun again after all.
            self.dirty = False
            if not self.archive_wanted:
                self._begin_again_us = None

    async def finish(self) -> None:
        """After the loop was cancelled, wherever it was: leave the rows as the journal has them."""
        if self.projector is None or self._in_doubt:
            await self.open()
        # What was in line when the loop was cancelled may be stored in between.
        for _ in range(FINISHED_BY):
            if self.must_reopen:
                await self.reopen()
            await self.keep(self.project())
            if not self.must_reopen:
                return
