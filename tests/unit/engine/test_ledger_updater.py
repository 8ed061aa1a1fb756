"""The updater of rows alone: what is stored, what is begun again, and what an interruption leaves."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any

import pytest

from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import Update
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.engine.ledger_updater import (
    ARCHIVE_AGAIN_US,
    AS_STORED_US,
    LONG_PROJECTION_US,
    PROJECTION_SHARE,
    LedgerUpdater,
)
from pagereeve.engine.supervision.heartbeat import Heartbeat
from pagereeve.ports.archives import ArchiveUnread
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.engine.virtual import VirtualClock, passing


@dataclass
class LateClock(VirtualClock):
    """``late_us`` is time that passes while the loop does not turn, as in a long projection."""

    late_us: int = 0

    def monotonic_us(self) -> int:
        return super().monotonic_us() + self.late_us


@dataclass
class FakeProjector:
    """Its update is one segment for each fact; nothing where none came since the last time."""

    clock: LateClock
    anchor_us: int = 0
    facts: list[int] = field(default_factory=list)
    took_us: int = 0
    limits: list[int | None] = field(default_factory=list)
    _shown: int = 0

    def advance(self, limit_us: int | None = None, /) -> Update | None:
        self.limits.append(limit_us)
        self.clock.late_us += self.took_us
        if self._shown == len(self.facts):
            return None
        self._shown = len(self.facts)
        return Update(self.anchor_us, tuple(RowSegment("p", self.anchor_us + at_us, {}) for at_us in self.facts))


@dataclass
class Site:
    """``facts`` is what the journal holds: every projector is opened with those since its anchor.

    The file of an archive is wanted, and is not there, by whoever begins before ``wanted_before_us``, and at a start.
    """

    facts: list[int] = field(default_factory=list)
    asked_us: list[int] = field(default_factory=list)
    while_opening: Callable[[], Coroutine[Any, Any, None]] | None = None
    wanted_before_us: int = 0
    wanted_at_start: bool = False
    store: MemoryJournal = field(default_factory=MemoryJournal)

    def __post_init__(self) -> None:
        self.clock = LateClock()
        self.updater = LedgerUpdater("p", self.store, self.clock, Heartbeat(self.clock), self.open_projector)

    async def open_projector(self, before_us: int) -> FakeProjector:
        self.asked_us.append(before_us)
        if self.while_opening is not None:
            await self.while_opening()
        if before_us < self.wanted_before_us or (before_us == FOREVER_US and self.wanted_at_start):
            raise ArchiveUnread("archive 2026-11 is not there")
        return FakeProjector(self.clock, facts=list(self.facts))

    async def turn(self) -> None:
        await self.updater.keep(self.updater.project())

    def hears(self, at_us: int) -> None:
        """A fact that is durable and not late."""
        self.facts.append(at_us)
        self.updater.opened().facts.append(at_us)
        self.updater.changed()

    async def stored(self) -> list[int]:
        return [segment.anchor_us for segment in await self.store.segments("p")]


def test_what_is_added_is_projected_and_stored_and_then_nothing_is_left_to_do() -> None:
    async def story() -> None:
        site = Site([1, 2])
        await site.updater.open()
        assert site.asked_us == [FOREVER_US]
        assert site.updater.may_project()
        await site.turn()
        assert await site.stored() == [1, 2]
        assert not site.updater.may_project()
        site.hears(3)
        assert site.updater.may_project()
        await site.turn()
        assert await site.stored() == [1, 2, 3]
        assert not site.updater.dirty

    passing(story())


def test_who_projected_before_another_stored_is_refused_and_projects_anew() -> None:
    async def story() -> None:
        ours = Site([1])
        theirs = Site(ours.facts, store=ours.store)
        for site in (ours, theirs):
            await site.updater.open()
        ours.hears(2)
        await ours.turn()
        await theirs.turn()
        assert await ours.stored() == [1, 2]
        assert (theirs.updater.refused, theirs.updater.must_reopen) == (1, True)
        theirs.facts.append(3)
        await theirs.updater.reopen()
        await theirs.turn()
        assert await ours.stored() == [1, 2, 3]
        assert not theirs.updater.must_reopen
        ours.hears(4)
        await ours.updater.finish()
        assert await ours.stored() == [1, 2, 3, 4]
        assert (ours.updater.refused, theirs.updater.refused) == (1, 1)

    passing(story())


def test_the_limit_is_the_projectors_to_keep() -> None:
    async def story() -> None:
        site = Site()
        projector = await site.updater.open()
        site.updater.project(17)
        assert projector.limits == [17]

    passing(story())


def test_before_it_is_opened_there_is_no_projector() -> None:
    with pytest.raises(RuntimeError, match="the rows of p are not read yet"):
        Site().updater.opened()


def test_beginning_again_reads_from_before_the_earliest_and_once() -> None:
    async def story() -> None:
        site = Site()
        await site.updater.open()
        await site.turn()
        for at_us in (50, 20, 90):
            site.updater.begin_again(at_us)
        assert site.updater.must_reopen
        await site.updater.reopen()
        await site.turn()
        assert site.asked_us[1:] == [20]
        assert not site.updater.must_reopen
        site.updater.begin_again(70)
        await site.updater.reopen()
        assert site.asked_us[-1] == 70

    passing(story())


def test_what_was_to_begin_again_is_not_forgotten_until_it_is_stored() -> None:
    async def story() -> None:
        site = Site([1])
        await site.updater.open()
        await site.turn()
        site.updater.begin_again(20)
        await site.updater.reopen()
        site.store.unavailable = "the disk is full"
        with pytest.raises(JournalUnavailable):
            await site.turn()
        site.store.unavailable = ""
        # The loop begins anew: as at every start, and then from before what is owed.
        await site.updater.open()
        assert site.updater.must_reopen
        await site.updater.reopen()
        await site.turn()
        assert site.asked_us == [FOREVER_US, 20, FOREVER_US, 20]
        assert not site.updater.dirty

    passing(story())


def test_a_call_while_the_journal_is_read_asks_for_one_more_reading() -> None:
    async def story() -> None:
        site = Site()
        await site.updater.open()
        site.updater.begin_again(50)

        async def calls() -> None:
            site.while_opening = None
            site.updater.begin_again(30)

        site.while_opening = calls
        await site.updater.reopen()
        assert site.updater.must_reopen
        await site.turn()
        assert site.updater.dirty
        await site.updater.reopen()
        await site.turn()
        assert site.asked_us == [FOREVER_US, 50, 30]
        assert not site.updater.dirty

    passing(story())


@pytest.mark.parametrize(
    ("took_us", "wait_us"),
    [(LONG_PROJECTION_US, 0), (LONG_PROJECTION_US + 1, (LONG_PROJECTION_US + 1) * (PROJECTION_SHARE - 1))],
)
def test_after_two_long_projections_the_next_is_put_off(took_us: int, wait_us: int) -> None:
    async def story() -> None:
        site = Site([1])
        (await site.updater.open()).took_us = took_us
        await site.turn()
        site.hears(2)
        # One long one may be a pause of the machine.
        assert site.updater.may_project()
        await site.turn()
        site.hears(3)
        assert site.updater.may_project() == (wait_us == 0)
        assert site.updater.put_off == (wait_us > 0)
        await asyncio.sleep((wait_us - 1) / 1e6 if wait_us else 0)
        assert site.updater.may_project() == (wait_us == 0)
        await asyncio.sleep(1e-6)
        assert site.updater.may_project()
        assert not site.updater.put_off

    passing(story())


def test_what_gathers_waits_for_the_earliest_of_its_ends_and_for_nothing_that_is_wanted_now() -> None:
    async def story() -> None:
        site = Site([1])
        await site.updater.open()
        await site.turn()
        for later in (None, site.updater.hurry, site.updater.changed):
            site.updater.changed(2.0)
            await asyncio.sleep(1.0)
            site.updater.changed(2.0)
            assert not site.updater.may_project()
            assert (site.updater.gathers, site.updater.put_off) == (True, True)
            assert site.updater.put_off_s() == pytest.approx(1.0)
            if later is None:
                await asyncio.sleep(1.0)
            else:
                later()
            assert site.updater.may_project()
            assert (site.updater.gathers, site.updater.put_off, site.updater.put_off_s()) == (False, False, 0.0)
            await site.turn()

    passing(story())


def test_nothing_is_put_off_where_nothing_changed() -> None:
    async def story() -> None:
        site = Site([1])
        (await site.updater.open()).took_us = LONG_PROJECTION_US * 2
        await site.turn()
        assert not site.updater.may_project()
        assert not site.updater.put_off

    passing(story())


def test_finishing_after_a_quiet_end_reads_nothing_and_stores_what_was_heard() -> None:
    async def story() -> None:
        site = Site([1])
        await site.updater.open()
        await site.turn()
        site.hears(2)
        await site.updater.finish()
        assert site.asked_us == [FOREVER_US]
        assert await site.stored() == [1, 2]

    passing(story())


async def cancelled(work: Coroutine[Any, Any, object]) -> None:
    task = asyncio.ensure_future(work)
    await asyncio.sleep(0.001)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def stands_still() -> None:
    await asyncio.sleep(3600)


@pytest.mark.parametrize("moment", ["opening", "reopening", "storing"])
def test_finishing_after_a_cancellation_leaves_the_rows_as_the_journal_has_them(
    moment: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def story() -> None:
        site = Site([1])
        if moment != "opening":
            await site.updater.open()
            await site.turn()
            site.updater.begin_again(40)
            site.facts.append(40)
        with monkeypatch.context() as patch:
            if moment == "storing":
                await site.updater.reopen()
                patch.setattr(site.store, "replace", lambda *_, **__: stands_still())
                await cancelled(site.turn())
            else:
                site.while_opening = stands_still
                await cancelled(site.updater.open() if moment == "opening" else site.updater.reopen())
        site.while_opening = None
        await site.updater.finish()
        assert await site.stored() == ([1] if moment == "opening" else [1, 40])
        assert site.asked_us[-1] == (FOREVER_US if moment == "opening" else 40)
        assert not site.updater.dirty

    passing(story())


def test_older_rows_wait_for_the_file_of_an_archive_and_newer_ones_do_not() -> None:
    async def story() -> None:
        site = Site([10])
        told: list[tuple[str, str]] = []
        site.updater.on_archive = lambda name, why: told.append((name, why))
        await site.updater.open()
        await site.turn()
        site.wanted_before_us = 5
        site.updater.begin_again(3)
        await site.updater.reopen()
        assert site.asked_us[-2:] == [3, AS_STORED_US]
        assert told == [("p", "archive 2026-11 is not there")]
        site.hears(11)
        await site.turn()
        assert await site.stored() == [10, 11]
        assert (site.updater.must_reopen, site.updater.is_to_reopen(), site.updater.dirty) == (False, False, False)
        # What is late and needs no file is waited for, too: it begins again from the earlier of both.
        site.updater.begin_again(7)
        await site.updater.reopen()
        assert site.asked_us[-2:] == [3, AS_STORED_US]
        await site.turn()
        site.clock.late_us += ARCHIVE_AGAIN_US
        assert site.updater.is_to_reopen()
        site.wanted_before_us = 0
        site.facts.insert(0, 3)
        await site.updater.reopen()
        assert site.asked_us[-1] == 3
        assert told[1:] == [("p", "")]
        await site.turn()
        assert await site.stored() == [3, 10, 11]
        assert not site.updater.is_to_reopen()

    passing(story())


def test_a_fact_that_no_row_knows_at_a_start_waits_for_the_file_whatever_comes_late_meanwhile() -> None:
    async def story() -> None:
        site = Site([10], wanted_at_start=True, wanted_before_us=5)
        await site.updater.open()
        assert site.asked_us == [FOREVER_US, AS_STORED_US]
        assert not site.updater.must_reopen
        await site.turn()
        assert await site.stored() == [10]
        site.updater.begin_again(7)
        await site.updater.reopen()
        assert site.asked_us[-1] == 7
        await site.turn()
        assert site.updater.archive_wanted
        site.wanted_at_start, site.clock.late_us = False, ARCHIVE_AGAIN_US
        await site.updater.reopen()
        assert (site.asked_us[-1], site.updater.archive_wanted) == (FOREVER_US, "")

    passing(story())
