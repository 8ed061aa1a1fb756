"""Answers about whole periods, of which most is kept between questions, are those that reading everything gives."""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.closing import ClosingRequest, close_period
from pagereeve.app.replay import replay_store
from pagereeve.domain.accounts.periods import ALWAYS_US, Period
from pagereeve.domain.accounts.totals import By
from pagereeve.domain.facts.facts import Assigned, Fact, PlateauRead, ReadFailed, Redated
from pagereeve.domain.facts.people import PersonNamed
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.closing import NotClosed
from pagereeve.ports.erasing import Erasure
from pagereeve.ports.kept_facts import KeptFacts
from pagereeve.queries import kept_sums
from pagereeve.queries.losses import losses_of
from pagereeve.queries.replay import replayed_printer
from pagereeve.queries.totals import TotalsAnswer, totals_of
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.sql.period_reads import PeriodReads
from pagereeve.store.sqlite.journal import SqlJournal
from tests.asking import ACCOUNTING, asking
from tests.journal_samples import segment
from tests.page_decisions import confirmed, waived
from tests.property.days import DAY_US, make_day

UTC = ZoneInfo("UTC")
PRINTERS = ("east", "north", "west")
MONTH = Period("2027-01", UTC, DAY_US - 14 * 86_400 * SECOND_US, DAY_US + 17 * 86_400 * SECOND_US)
EVENING_US = DAY_US + 8 * 3_600 * SECOND_US
PERIODS = (
    Period("always", UTC, 0, ALWAYS_US),
    MONTH,
    Period("early", UTC, DAY_US, DAY_US + 400 * SECOND_US),
    Period("late", UTC, DAY_US + 400 * SECOND_US, DAY_US + 3_000 * SECOND_US),
)
WHOS: tuple[By, ...] = ("printer", "person", "cost-centre")
URLS = (
    "/v1/totals?by=printer&period=2027-01",
    "/v1/totals?by=person&period=2027-01",
    "/v1/losses?by=cause&period=2027-01",
    "/now/figures",
)
Answers = list[object]
Journal = SqlJournal | PostgresJournal | MemoryJournal


async def answers(store: Journal, kept: KeptFacts | None, periods: Sequence[Period] = PERIODS) -> Answers:
    store.kept = kept
    found: list[object] = []
    async with store.snapshot() as held:
        for period in periods:
            for who in WHOS:
                answer = await totals_of(held, period, who)
                found += [answer, answer.rows()]
            found.append(await losses_of(held, period, "printer"))
    return found


async def told(store: Journal, kept: Callable[[], KeptFacts]) -> list[bytes]:
    """To the byte; a page of which a part comes first, where it takes long, is not among them."""
    bodies = []
    for url in URLS:
        store.kept = kept()
        async with asking(store, ACCOUNTING, now_us=EVENING_US) as client:
            answer = await client.get(url)
            assert answer.status_code == 200, answer.text
            bodies.append(answer.content)
    return bodies


class World:
    """A journal to which random things happen."""

    def __init__(self, store: Journal, seed: int) -> None:
        self.store, self.random = store, Random(seed)
        self.left = {
            printer: list(make_day(seed + nth, 60, channels=nth == 1, life=True, units=nth == 2).steps)
            for nth, printer in enumerate(PRINTERS)
        }
        self.numbers = iter(range(10**6))
        self.closed_us = DAY_US - SECOND_US

    def things(self) -> list[Callable[[], Awaitable[None]]]:
        """Each at least once, in some order."""
        others = [
            *(self.redated, self.erased, self.named, self.moved, self.decided, self.closed, self.replayed, self.lost),
            *[self.printed] * 5,
        ]
        self.random.shuffle(others)
        return [self.printed, *others]

    async def printed(self) -> None:
        printer = self.random.choice(PRINTERS)
        for _ in range(self.random.randrange(4, 16)):
            if self.left[printer]:
                await self._keep(printer, *self.left[printer].pop(0))
        await self.store.replace(printer, None, (await replayed_printer(self.store, printer)).segments)

    async def _keep(self, printer: str, fact: Fact | None, run: PlateauRead | ReadFailed | None) -> None:
        mine = None if fact is None else replace(fact, printer=printer)
        if mine is not None and not isinstance(mine, PlateauRead | ReadFailed):
            origin = getattr(mine, "origin", None)
            if origin is not None:
                mine = replace(mine, origin=replace(origin, source=f"{origin.source}/{printer}"))
            await self.store.append(mine)
        elif run is not None:
            await self.store.observe(printer, [] if mine is None else [mine], replace(run, printer=printer))

    async def redated(self) -> None:
        from_us = DAY_US + self.random.randrange(1_000) * SECOND_US
        by_us = self.random.choice([None, 5 * SECOND_US, -7 * SECOND_US])
        said = (from_us, from_us + 60 * SECOND_US, by_us, "warden", "a wrong clock")
        await self.store.redate([Redated(self.random.choice(PRINTERS), EVENING_US, *said)])
        await self.perhaps_replayed()

    async def erased(self) -> None:
        number = next(self.numbers)
        owner = f"owner-{self.random.randrange(5)}"
        await self.store.erase(Erasure(owner, f"erased-{number}", "warden", EVENING_US))
        await self.perhaps_replayed()

    async def perhaps_replayed(self) -> None:
        """Rows that were dropped stay away for a while."""
        if self.random.random() < 0.5:
            await self.replayed()

    async def replayed(self) -> None:
        await replay_store(self.store, store=True)

    async def named(self) -> None:
        login, at_us = f"owner-{self.random.randrange(5)}", DAY_US + self.random.randrange(2_000) * SECOND_US
        person = f"p-{self.random.randrange(3):012}"
        await self.store.append(PersonNamed(at_us, person, "login", login, at_us, "registry"))

    async def moved(self) -> None:
        login, at_us = f"owner-{self.random.randrange(5)}", DAY_US + self.random.randrange(2_000) * SECOND_US
        await self.store.append(Assigned(at_us, login, f"centre-{self.random.randrange(3)}"))

    async def decided(self) -> None:
        known = [one async for one in self.store.charges(0, ALWAYS_US) if one.unproven]
        if known:
            make = self.random.choice([waived, confirmed])
            await self.store.append(make(f"d-{next(self.numbers)}", EVENING_US, self.random.choice(known), 1))

    async def closed(self) -> None:
        ends_us = self.closed_us + self.random.randrange(1, 600) * SECOND_US
        period = Period(f"closed-{next(self.numbers)}", UTC, self.closed_us, ends_us)
        try:
            await close_period(self.store, ClosingRequest(period, "the warden said so"), "warden", EVENING_US)
        except NotClosed:
            return
        self.closed_us = ends_us

    async def lost(self) -> None:
        await self.store.replace(self.random.choice(PRINTERS), None, [])


async def test_whatever_happens_between_two_questions_none_is_answered_by_an_old_figure(
    store: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept_sums, "READ_ANEW_MAX", 2)
    kept, world = KeptFacts(), World(store, 3)
    for thing in world.things():
        await thing()
        some = world.random.sample(PERIODS, 2)
        of_kept = await answers(store, kept, some)
        assert of_kept == await answers(store, None, some), thing
    # Nobody changes what is kept.
    of_kept = await answers(store, kept)
    assert of_kept == await answers(store, kept) == await answers(store, None)
    assert await told(store, lambda: kept) == await told(store, KeptFacts)
    assert sum(isinstance(one, TotalsAnswer) and bool(one.lines) for one in of_kept) >= 3


async def test_an_earlier_moment_and_a_later_one_are_each_answered_as_they_are(store: Journal) -> None:
    kept, world = KeptFacts(), World(store, 7)
    for _ in range(4):
        await world.printed()
        store.kept = kept
        async with store.snapshot() as before:
            was = await totals_of(before, MONTH, "person")
            await world.printed()
            async with store.snapshot() as after:
                now = await totals_of(after, MONTH, "person")
            assert await totals_of(before, MONTH, "person") == was
        store.kept = None
        assert now == await totals_of(store, MONTH, "person")


@pytest.fixture
async def journal(tmp_path: Path) -> AsyncIterator[SqlJournal]:
    opened = await SqlJournal.open(tmp_path / "journal.sqlite", SystemClock())
    yield opened
    await opened.close()


def counted(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """Of each time that sums were read of rows: of whom; None: of all."""
    asked: list[object] = []
    known = PeriodReads._sums_of_each

    async def sums_of_each(self: PeriodReads, spans: Any, between: Any) -> Any:
        asked.append(between)
        return await known(self, spans, between)

    monkeypatch.setattr(PeriodReads, "_sums_of_each", sums_of_each)
    return asked


async def ask(journal: SqlJournal) -> TotalsAnswer:
    return await totals_of(journal, MONTH, "printer")


async def test_only_printers_whose_rows_changed_are_read_anew(
    journal: SqlJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = World(journal, 3)
    for _ in range(8):
        await world.printed()
    journal.kept, asked = KeptFacts(), counted(monkeypatch)
    for changed in ([], ["east"], ["north", "west"], []):
        for printer in changed:
            await journal.replace(printer, None, [])
        await ask(journal)
    assert asked == [None, ["east"], ["north", "west"]]


async def test_two_questions_at_once_make_the_sums_once(journal: SqlJournal, monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(journal, 3)
    for _ in range(8):
        await world.printed()
    journal.kept, asked = KeptFacts(), counted(monkeypatch)
    came = await asyncio.gather(*(ask(journal) for _ in range(4)))
    assert asked == [None]
    assert all(one == came[0] and one.lines for one in came)


async def test_who_gives_up_while_it_makes_the_sums_leaves_them_to_the_next(
    journal: SqlJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    await World(journal, 3).printed()
    whole = await ask(journal)
    journal.kept, asked = KeptFacts(), counted(monkeypatch)
    first = asyncio.create_task(ask(journal))
    while not asked:  # noqa: ASYNC110 - nobody is told
        await asyncio.sleep(0)
    second = asyncio.create_task(ask(journal))
    first.cancel()
    assert await second == whole
    assert asked == [None, None]
    assert first.cancelled()


async def test_what_is_kept_is_bounded(journal: SqlJournal) -> None:
    world, kept = World(journal, 3), KeptFacts()
    for _ in range(8):
        await world.printed()
    kept.sums.bytes_max = 30_000
    of_kept = await answers(journal, kept)
    assert of_kept == await answers(journal, None)
    sizes = [one.size_bytes for one in kept.sums.spans.values()]
    assert 0 < len(sizes) < 2 * len(PERIODS)
    assert sum(sizes) <= 30_000
    kept.sums.bytes_max = 0
    assert await answers(journal, kept) == of_kept
    assert not kept.sums.spans


async def _put_back(path: Path, changes: Sequence[Callable[[SqlJournal], Awaitable[None]]]) -> None:
    """A copy is taken before the first change and put back before the second; what is kept outlives that."""
    kept = KeptFacts()
    for change in changes:
        async with _opened(path) as journal:
            await answers(journal, kept)
            await change(journal)
            assert await answers(journal, kept) == await answers(journal, None)
        shutil.copy(path.with_suffix(".copy"), path)
        path.with_name("journal.newest").unlink(missing_ok=True)


def _opened(path: Path) -> Any:
    class Opened:
        async def __aenter__(self) -> SqlJournal:
            self.journal = await SqlJournal.open(path, SystemClock(), accept_loss=True)
            return self.journal

        async def __aexit__(self, *_: object) -> None:
            await self.journal.close()

    return Opened()


async def test_a_journal_that_was_put_back_beneath_is_read_anew(tmp_path: Path) -> None:
    """Its counters go the same way again, with other rows."""
    path = tmp_path / "journal.sqlite"
    async with _opened(path) as journal:
        await journal.replace("east", None, [segment("east", 1)])
        await journal.append(PersonNamed(DAY_US, "p-0123456789ab", "login", "owner-1", DAY_US, "registry"))
    shutil.copy(path, path.with_suffix(".copy"))

    def to(number: int) -> Callable[[SqlJournal], Awaitable[None]]:
        return lambda journal: journal.replace("east", None, [segment("east", one) for one in range(number)])

    await _put_back(path, [to(1), to(2), to(5), to(0)])


async def test_rows_that_no_counter_tells_of_are_those_of_before_the_first_change(
    journal: SqlJournal, tmp_path: Path
) -> None:
    """As an older version left them."""
    await journal.replace("east", None, [segment("east", 1)])
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as database, database:
        database.execute("DELETE FROM rows_version")
    kept = KeptFacts()
    assert await answers(journal, kept) == await answers(journal, None)
    await journal.replace("east", None, [segment("east", 1), segment("east", 2)])
    assert await answers(journal, kept) == await answers(journal, None)
