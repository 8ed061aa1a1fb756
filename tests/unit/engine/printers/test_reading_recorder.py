"""The recorder alone: which runs become facts, and when the growing one is written down."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import pytest

from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed
from pagereeve.domain.facts.reading import Count, Failure, Reading, Sight, SilenceReason, Unit
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import Update
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.printers.reading_recorder import OBSERVE_EVERY_US, ReadingRecorder, reading_of
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.engine.virtual import BEGIN_US, VirtualClock, passing

NO_ROWS = Update(0, ())


class CountingJournal(MemoryJournal):
    writes = 0
    turns = 0

    async def observe(self, printer: str, sealed: Sequence[Fact], current: PlateauRead | ReadFailed) -> Sequence[int]:
        self.writes += 1
        return await super().observe(printer, sealed, current)

    async def keep_turn(
        self,
        printer: str,
        sealed: Sequence[Fact],
        current: PlateauRead | ReadFailed,
        update: Update,
        *,
        after: int | None = None,
    ) -> None:
        self.turns += 1
        await super().keep_turn(printer, sealed, current, update, after=after)


class HangingJournal(MemoryJournal):
    """It stores, and its answer does not come while ``hangs``."""

    hangs = False

    async def observe(self, printer: str, sealed: Sequence[Fact], current: PlateauRead | ReadFailed) -> Sequence[int]:
        stored = await super().observe(printer, sealed, current)
        if self.hangs:
            await asyncio.sleep(3600)
        return stored


def recorder(journal: MemoryJournal | None = None) -> ReadingRecorder:
    return ReadingRecorder("p", CountingJournal() if journal is None else journal, VirtualClock())


def reading(at_s: float, total: int = 100) -> Reading:
    at_us = BEGIN_US + int(at_s * SECOND_US)
    uptime_cs = 1_000_000 + int(at_s * 100)
    return Reading(at_us, at_us + 1_000, Sight((("total", Count(total, Unit.IMPRESSIONS)),)), uptime_cs)


def failure(at_s: float) -> Failure:
    at_us = BEGIN_US + int(at_s * SECOND_US)
    return Failure(at_us, at_us + 1_000, SilenceReason.TIMEOUT)


async def take(one: ReadingRecorder, result: Reading | Failure) -> bool:
    """Record it as sent now; whether it was the same as before."""
    same = one.take(result, one.clock.monotonic_us()).same
    await one.keep_due()
    return same


async def durable(one: ReadingRecorder) -> PlateauRead | ReadFailed | None:
    run = await one.journal.open_run("p")
    return None if run is None else run.fact


def test_the_first_reading_is_durable_at_once_and_growth_every_five_seconds() -> None:
    async def story() -> None:
        journal = CountingJournal()
        one = recorder(journal)
        writes = []
        for at_s in range(14):
            await take(one, reading(at_s))
            writes.append(journal.writes)
            await asyncio.sleep(1)
        assert OBSERVE_EVERY_US == 5 * SECOND_US
        # At 0 s, then at the first reading that is more than five seconds younger: 6 s, 12 s.
        assert writes == [1] * 6 + [2] * 6 + [3] * 2

    passing(story())


def test_a_moved_count_seals_the_run_before_it() -> None:
    async def story() -> None:
        one = recorder()
        await take(one, reading(0))
        await take(one, reading(1))
        taken = one.take(reading(2, total=101), one.clock.monotonic_us())
        await one.keep_due()
        (sealed,) = taken.sealed
        assert isinstance(sealed, PlateauRead)
        assert (sealed.plateau.count, sealed.plateau.sight.counts[0][1].value) == (2, 100)
        assert [stored.fact async for stored in one.journal.facts("p")] == [sealed]
        assert await durable(one) == taken.current == one.current

    passing(story())


def test_the_second_of_a_sight_and_the_third_failure_show_nothing_new() -> None:
    async def story() -> None:
        one = recorder()
        assert [await take(one, reading(at_s)) for at_s in range(4)] == [False, True, True, True]
        assert [await take(one, failure(at_s)) for at_s in range(4, 8)] == [False, False, True, True]
        assert await take(one, reading(8, total=101)) is False

    passing(story())


def test_what_a_row_rests_on_is_made_durable_and_written_once() -> None:
    async def story() -> None:
        journal = CountingJournal()
        one = recorder(journal)
        await one.keep(NO_ROWS)
        assert (journal.writes, journal.turns) == (0, 0)
        await take(one, reading(0))
        assert not one.in_doubt
        await one.keep(NO_ROWS)
        assert (journal.writes, journal.turns) == (1, 0)
        await take(one, reading(1))
        assert await durable(one) != one.current
        await one.keep(NO_ROWS)
        await one.keep(NO_ROWS)
        assert (journal.writes, journal.turns) == (1, 1)
        assert await durable(one) == one.current

    passing(story())


def test_a_finished_run_goes_with_its_rows_once() -> None:
    async def story() -> None:
        journal = CountingJournal()
        one = recorder(journal)
        await take(one, reading(0))
        sealed = one.take(reading(1, total=101), one.clock.monotonic_us()).sealed
        assert [stored.fact async for stored in journal.facts("p")] == []
        await one.keep(NO_ROWS)
        await one.keep_due()
        assert [stored.fact async for stored in journal.facts("p")] == list(sealed)
        assert (journal.writes, journal.turns) == (1, 1)

    passing(story())


def test_readings_are_kept_where_their_rows_can_not_be() -> None:
    async def story() -> None:
        one = recorder()
        await take(one, reading(0))
        sealed = one.take(reading(1, total=101), one.clock.monotonic_us()).sealed
        with pytest.raises(ValueError, match="another printer"):
            await one.keep(Update(0, (RowSegment("q", 0, None, (), (), (), ()),)))
        await one.keep_due()
        assert [stored.fact async for stored in one.journal.facts("p")] == list(sealed)

    passing(story())


def test_a_result_that_the_journal_refuses_is_not_recorded() -> None:
    async def story() -> None:
        journal = MemoryJournal()
        one = recorder(journal)
        await take(one, reading(0))
        before = await durable(one)
        journal.unavailable = "the disk is full"
        with pytest.raises(JournalUnavailable):
            await take(one, reading(1, total=101))
        assert one.in_doubt
        journal.unavailable = ""
        assert await one.load() == before
        assert not one.in_doubt

    passing(story())


def test_after_a_cancelled_write_the_journal_says_what_was_recorded() -> None:
    async def story() -> None:
        journal = HangingJournal()
        one = recorder(journal)
        await take(one, reading(0))
        journal.hangs = True
        task = asyncio.ensure_future(take(one, reading(1, total=101)))
        await asyncio.sleep(1)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert one.in_doubt
        run = await one.load()
        assert isinstance(run, PlateauRead)
        assert run.plateau.sight.counts[0][1].value == 101
        assert not one.in_doubt

    passing(story())


def test_the_last_good_reading_is_kept_through_failures_and_known_before_the_first() -> None:
    async def story() -> None:
        journal = MemoryJournal()
        first = recorder(journal)
        await take(first, reading(0))
        again = recorder(journal)
        await again.load()
        assert (again.last, again.last_good) == (None, reading(0))
        again.note(reading(1))
        again.note(failure(2))
        assert (again.last, again.last_good) == (failure(2), reading(1))
        again.remember(PlateauRead("p", _plateau(reading(3)).plateau))
        assert again.last_good == reading(1)

    passing(story())


def _plateau(result: Reading) -> PlateauRead:
    current = recorder().take(result, 0).current
    assert isinstance(current, PlateauRead)
    return current


def test_a_silence_holds_no_reading() -> None:
    async def story() -> None:
        silent = recorder().take(failure(0), 0).current
        assert isinstance(silent, ReadFailed)
        assert reading_of(silent) is None
        assert reading_of(None) is None

    passing(story())


def test_a_boot_whose_dates_are_apart_begins_a_run_of_its_own_once() -> None:
    async def story() -> None:
        journal = CountingJournal()
        before = recorder(journal)
        before.take(reading(0), 0)
        await before.keep_due()
        kept = ReadingRecorder("p", journal, VirtualClock(), apart=True)
        assert await kept.load() == before.current
        first = kept.take(reading(1), 0)
        assert list(first.sealed) == [before.current]
        again = kept.take(reading(2), 0)
        assert (list(again.sealed), again.current.printer) == ([], "p")
        assert isinstance(again.current, PlateauRead)
        assert again.current.plateau.count == 2

    passing(story())
