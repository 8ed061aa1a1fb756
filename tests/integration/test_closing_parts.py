"""A period is closed beside others who write: none of them waits for all of it, and half a close is none."""

from __future__ import annotations

import asyncio
import os
import sqlite3
import time
from collections.abc import AsyncIterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Final, cast

import pytest

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.app.closing import Packed
from pagereeve.domain.accounts.frozen import FrozenHead, FrozenRow
from pagereeve.ports.closing import Closing, ClosingAttempt, NotClosed
from pagereeve.ports.erasing import Erasure
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.records.frozen_rows import packed_rows
from pagereeve.store.sql.closing_parts import GROUP_BYTES, groups_of
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.test_erasing import OWNER, fill_with_people
from tests.journal_samples import NOON_US, badge, segment, started

Store = SqlJournal | MemoryJournal | PostgresJournal
AUTUMN: Final = Closing("autumn", "UTC", "2026a", 1, NOON_US, NOON_US + 1, "bursar", "", "j-1", 3, "ab", 7)
WINTER: Final = replace(AUTUMN, name="winter", from_us=NOON_US, to_us=NOON_US + 10**12)
MIB: Final = 2**20
# A commit waits for the disk, and for whoever else the machine works for.
FLOOR_S: Final = 0.05


async def heads(count: int) -> AsyncIterator[FrozenRow]:
    for number in range(count):
        yield FrozenHead("", number)


async def many_parts(count: int = 40, size_bytes: int = 40_000) -> Packed:
    """As long as those of so many times 2,000 rows; nobody unpacks them."""
    return Packed(count * 2_000, "ab", [os.urandom(size_bytes) for _ in range(count)])


@pytest.fixture(params=["sqlite", "memory", "postgres"])
async def store(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Store]:
    if request.param == "memory":
        yield MemoryJournal()
        return
    journal: SqlJournal | PostgresJournal
    if request.param == "postgres":
        address = request.getfixturevalue("postgres_journal")
        journal = await PostgresJournal.open(address, SystemClock(), SystemEntropy())
    else:
        journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    yield journal
    await journal.close()


async def begun(store: Store, one: Closing = AUTUMN) -> ClosingAttempt:
    return await store.begin_closing(one.name, one.from_us, one.to_us)


def test_parts_go_in_by_groups_of_bounded_size_and_in_order() -> None:
    parts = [bytes(size) for size in (GROUP_BYTES, 1, GROUP_BYTES - 1, 1, 2 * GROUP_BYTES, 3)]
    groups = list(groups_of(parts))
    assert [(one.first, len(one.bodies)) for one in groups] == [(0, 1), (1, 2), (3, 1), (4, 1), (5, 1)]
    assert [body for one in groups for body in one.bodies] == parts
    assert [(one.first, list(one.bodies)) for one in groups_of([])] == [(0, [])]


async def longest_wait_s(journal: SqlJournal, until: asyncio.Event, name: str) -> float:
    """Of one event after another, as a badge door sends them."""
    longest, number = 0.0, 0
    while not until.is_set():
        before = time.monotonic()
        await journal.append(badge(f"{name}-{number}"))
        longest, number = max(longest, time.monotonic() - before), number + 1
        await asyncio.sleep(0.001)
    assert number > 3
    return longest


async def test_a_writer_beside_a_close_of_a_million_rows_waits_no_longer_than_4_times_what_it_waits_alone(
    tmp_path: Path,
) -> None:
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    try:
        packed, alone, done = await many_parts(500), asyncio.Event(), asyncio.Event()
        asyncio.get_running_loop().call_later(2.0, alone.set)
        alone_s = await longest_wait_s(journal, alone, "alone")
        beside = asyncio.create_task(longest_wait_s(journal, done, "beside"))
        await journal.close_packed(AUTUMN, packed)
        done.set()
        beside_s = await beside
        assert beside_s < 4 * max(alone_s, FLOOR_S), f"alone {alone_s:.3f} s, beside a close {beside_s:.3f} s"
        [closed] = await journal.closed_periods()
        assert closed.rows == packed.rows
    finally:
        await journal.close()


async def test_half_a_close_is_read_by_nobody_and_the_next_start_removes_it(tmp_path: Path) -> None:
    path = tmp_path / JOURNAL_NAME
    journal = await SqlJournal.open(path, SystemClock())
    attempt = await begun(journal)
    half = asyncio.create_task(journal.close_packed(AUTUMN, await many_parts(100), 0, attempt))
    with closing(sqlite3.connect(path)) as connection:
        while not connection.execute("SELECT count(*) FROM closed_part").fetchone()[0]:  # noqa: ASYNC110 - it is a file
            await asyncio.sleep(0.001)
        half.cancel()
        await asyncio.wait({half})
        assert connection.execute("SELECT count(*) FROM closed_part").fetchone()[0] < 100
        assert list(await journal.closed_periods()) == []
        assert [stored async for stored in journal.facts("")] == []
        await journal.close()
        journal = await SqlJournal.open(path, SystemClock())
        try:
            for table in ("closed_part", "closing_period", "closed_period"):
                assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,)
            closed = await journal.close_period(AUTUMN, heads(3))
            assert [row async for row in journal.frozen_rows(closed)] == [row async for row in heads(3)]
        finally:
            await journal.close()


async def test_of_two_closes_of_a_period_at_once_one_wins_and_the_other_is_told(store: Store) -> None:
    first = await begun(store)
    second = await begun(store)
    with pytest.raises(NotClosed, match=r"autumn is not closed: .* changed meanwhile.* close it again"):
        await store.close_packed(AUTUMN, await packed_rows(heads(1)), 0, first)
    closed = await store.close_packed(AUTUMN, await packed_rows(heads(5_000)), 0, second)
    assert list(await store.closed_periods()) == [closed]
    assert len([row async for row in store.frozen_rows(closed)]) == 5_000
    with pytest.raises(NotClosed, match="autumn is closed already"):
        await store.close_packed(AUTUMN, await packed_rows(heads(1)), 0, first)


async def test_a_close_rests_on_which_periods_are_closed(store: Store) -> None:
    autumn, winter = await begun(store), await begun(store, WINTER)
    await store.close_packed(AUTUMN, await packed_rows(heads(1)), 0, autumn)
    with pytest.raises(NotClosed, match="winter is not closed: what its rows rest on changed meanwhile"):
        await store.close_packed(WINTER, await packed_rows(heads(1)), 0, winter)
    await store.close_packed(WINTER, await packed_rows(heads(1)), 0, await begun(store, WINTER))
    assert [one.name for one in await store.closed_periods()] == ["autumn", "winter"]


async def test_who_is_erased_while_a_period_is_closed_stands_in_none_of_its_rows(store: Store) -> None:
    await fill_with_people(cast("SqlJournal", store))
    attempt = await begun(store)
    await store.erase(Erasure(OWNER, "erased-0123456789ab", "warden", NOON_US))
    with pytest.raises(NotClosed, match="changed meanwhile"):
        await store.close_packed(AUTUMN, await packed_rows(heads(3)), 0, attempt)
    await store.close_packed(AUTUMN, await packed_rows(heads(3)), 0, await begun(store))


async def test_what_is_written_after_the_look_is_noted_although_nothing_is_closed_yet(store: Store) -> None:
    await store.append(started("s-1"))
    await store.replace("a", None, [segment("a", 0)])
    whole = replace(AUTUMN, to_us=NOON_US + 10**12)
    attempt = await begun(store, whole)
    seen = max((one.number for one in await store.closed_touched()), default=0)
    await store.replace("b", None, [segment("b", 0)])
    await store.close_packed(whole, await packed_rows(heads(3)), seen, attempt)
    assert [(one.period, one.printer) for one in await store.closed_touched()] == [("autumn", "b")]


async def test_what_was_given_up_leaves_nothing_and_is_closed_later(store: Store) -> None:
    attempt = await begun(store)
    await store.give_up_closing(attempt)
    with pytest.raises(NotClosed, match="changed meanwhile"):
        await store.close_packed(AUTUMN, await packed_rows(heads(1)), 0, attempt)
    assert list(await store.closed_periods()) == []
    await store.close_period(AUTUMN, heads(2))
