"""What only the journal on disk has to promise: durability, groups, trouble with the disk, one process at a time."""

from __future__ import annotations

import asyncio
import sqlite3
import stat
import threading
from collections.abc import AsyncIterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.facts import Fact
from pagereeve.ports.journal import JournalUnavailable, Receipt
from pagereeve.ports.store import Store
from pagereeve.store.errors import Unstorable
from pagereeve.store.records.batch import Batch
from pagereeve.store.records.fact_record import FactRecord
from pagereeve.store.records.requests import Patience, append_request
from pagereeve.store.sql.transaction import store_group
from pagereeve.store.sqlite import committing as committing_module
from pagereeve.store.sqlite.connections import WriterThread
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from tests.journal_samples import badge, read, segment, started


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.db"


@pytest.fixture
async def journal(path: Path) -> AsyncIterator[SqlJournal]:
    journal = await SqlJournal.open(path, SystemClock())
    yield journal
    await journal.close()


def seen_by_another(path: Path, statement: str = "SELECT event_id FROM fact WHERE event_id IS NOT NULL") -> list[Any]:
    """What a plain connection that has nothing to do with ours finds committed."""
    with closing(sqlite3.connect(path)) as connection:
        return [row[0] for row in connection.execute(statement)]


def is_a_store(journal: SqlJournal) -> Store:
    return journal


async def appended(journal: SqlJournal, facts: Sequence[Fact]) -> list[Receipt | BaseException]:
    return await asyncio.gather(*map(journal.append, facts), return_exceptions=True)


async def test_the_journal_is_all_that_the_engine_needs(journal: SqlJournal) -> None:
    assert await is_a_store(journal).count_facts() == 0


async def test_a_fact_is_committed_when_its_append_returns(journal: SqlJournal, path: Path) -> None:
    async def append_and_look(number: int) -> bool:
        await journal.append(badge(f"e{number}"))
        return f"e{number}" in seen_by_another(path)

    assert all(await asyncio.gather(*(append_and_look(number) for number in range(40))))


async def test_those_that_wait_together_are_committed_together(journal: SqlJournal) -> None:
    before = journal.health().commits
    await appended(journal, [badge(f"e{number}") for number in range(200)])
    # The first alone, as nothing else had come yet, or all at once; never one commit for each.
    assert journal.health().commits - before <= 2
    assert journal.health().rows == 200


async def test_a_badge_at_forty_printers_is_one_commit(journal: SqlJournal) -> None:
    for line in range(10):
        await journal.append_together([badge(f"e{line}-{number}", f"printer-{number}") for number in range(40)])
    assert (journal.health().commits, journal.health().rows) == (10, 400)
    doubled = [badge("new", "printer-1"), badge("x" * 10, "printer-2"), badge("new", "printer-3")]
    assert [one.outcome for one in await journal.append_together(doubled)] == ["stored", "stored", "duplicate"]


async def test_a_group_is_bounded(path: Path) -> None:
    journal = await SqlJournal.open(path, SystemClock(), group_max=10)
    await appended(journal, [badge(f"e{number}") for number in range(100)])
    assert 10 <= journal.health().commits <= 11
    await journal.close()


async def test_a_full_queue_holds_back_and_loses_nothing(path: Path) -> None:
    journal = await SqlJournal.open(path, SystemClock(), queue_depth_max=5, group_max=2)
    waiting = [asyncio.ensure_future(journal.append(badge(f"e{number}"))) for number in range(60)]
    deepest = 0
    while not all(one.done() for one in waiting):
        deepest = max(deepest, journal.health().queue_depth)
        await asyncio.sleep(0)
    assert 0 < deepest <= 5
    assert await journal.count_facts() == 60
    await journal.close()


async def test_different_requests_share_a_group(journal: SqlJournal) -> None:
    before = journal.health().commits
    await asyncio.gather(
        journal.append(badge("e1")),
        journal.observe("printer-a", [read(100)], read(103)),
        journal.replace("printer-a", None, [segment("printer-a", 1)]),
        journal.append(badge("e1")),
    )
    health = journal.health()
    assert health.commits - before <= 2
    assert (health.rows, health.duplicates, health.conflicts) == (2, 1, 0)


async def test_an_event_waits_for_few_of_a_burst_of_readings(journal: SqlJournal) -> None:
    burst = 1_000
    observed = [
        asyncio.ensure_future(journal.observe(f"p{nth}", [], read(nth, printer=f"p{nth}"))) for nth in range(burst)
    ]
    await asyncio.sleep(0)
    await journal.append(badge("e1"))
    assert sum(one.done() for one in observed) < burst / 4
    await asyncio.gather(*observed)


async def test_health_tells_of_the_last_commit_and_the_sizes(journal: SqlJournal) -> None:
    fresh = journal.health()
    assert fresh.alive
    assert fresh.last_commit_us is None
    await journal.append(started("e1"))
    await journal.append(started("e1", job="job-2"))
    health = journal.health()
    assert health.last_commit_us is not None
    assert health.last_commit_monotonic_us is not None
    assert health.wal_size_bytes > 0
    assert health.database_size_bytes > 0
    assert (health.queue_depth, health.conflicts, health.failures, health.waiting_us) == (0, 1, 0, 0)
    waiting = asyncio.ensure_future(journal.append(started("e2")))
    await asyncio.sleep(0)
    assert journal.health().waiting_us > 0
    await waiting
    assert journal.health().waiting_us == 0


async def test_two_tasks_that_read_and_write_never_find_it_locked(journal: SqlJournal) -> None:
    """python/cpython#124510 and others: two tasks read-then-write 100 times each."""

    async def work(name: str) -> None:
        for number in range(100):
            known = [stored.seq async for stored in journal.facts(name)]
            assert len(known) == number
            await journal.append(badge(f"{name}-{number}", name))

    await asyncio.gather(work("printer-a"), work("printer-b"))
    assert await journal.count_facts() == 200


async def test_a_cancelled_caller_does_not_break_its_group(journal: SqlJournal) -> None:
    tasks = [asyncio.ensure_future(journal.append(badge(f"e{number}"))) for number in range(20)]
    await asyncio.sleep(0)
    for task in tasks[::2]:
        task.cancel()
    results = await asyncio.gather(*tasks, return_exceptions=True)
    assert all(isinstance(result, Receipt) for result in results[1::2])
    assert all(isinstance(result, asyncio.CancelledError) for result in results[::2])
    again = await journal.append(badge("e0"))
    assert again.outcome in {"stored", "duplicate"}
    assert [stored.seq async for stored in journal.facts("printer-a")] == list(
        range(1, await journal.count_facts() + 1)
    )


async def test_a_full_disk_is_told_and_later_facts_are_stored(journal: SqlJournal, path: Path) -> None:
    await journal.append(badge("e0"))
    await journal._thread.run_raw(lambda raw: raw.execute("PRAGMA max_page_count = 1").fetchall())
    facts = [started(f"full-{number}", job="x" * 200) for number in range(600)]
    results = await appended(journal, facts)
    refused = [result for result in results if isinstance(result, JournalUnavailable)]
    assert refused
    assert "disk is full" in str(refused[0])
    assert {error.hindrance for error in refused} == {"no-space"}
    assert isinstance(refused[0].__cause__, Exception)
    assert len({id(error) for error in refused}) == len(refused)
    assert journal.health().failures >= 1
    acknowledged = {f"full-{place}" for place, result in enumerate(results) if isinstance(result, Receipt)}
    assert set(seen_by_another(path)) == acknowledged | {"e0"}

    await journal._thread.run_raw(lambda raw: raw.execute("PRAGMA max_page_count = 1000000").fetchall())
    again = await appended(journal, facts)
    outcomes = [result.outcome for result in again if isinstance(result, Receipt)]
    assert len(outcomes) == len(facts)
    assert outcomes.count("duplicate") == len(acknowledged)
    assert [stored.seq async for stored in journal.facts("printer-a")] == list(range(1, 602))


async def test_a_database_locked_by_another_program_is_told_and_heals(
    path: Path, journal: SqlJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    await journal._thread.run_raw(lambda raw: raw.execute("PRAGMA busy_timeout = 50").fetchall())
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(JournalUnavailable, match="locked"):
            await journal.append(badge("e1"))
        other.execute("ROLLBACK")
    assert await journal.append(badge("e1")) == Receipt("stored", 1)


class _Poison:
    """A request that the database refuses: a second fact under a printer's number."""

    filings: Sequence[FactRecord] = ()
    patience: Patience = "none"

    def join(self, batch: Batch) -> None:
        batch.facts.append(replace(batch.facts[0]) if batch.facts else _numbered(batch))


def _numbered(batch: Batch) -> Any:
    append_request(badge("poison")).join(batch)
    return batch.facts[0]


async def test_a_value_that_the_database_refuses_takes_no_other_with_it(journal: SqlJournal) -> None:
    good = [journal.append(badge(f"e{number}")) for number in range(5)]
    results = await asyncio.gather(*good[:3], journal._writer.submit(_Poison()), *good[3:], return_exceptions=True)
    assert isinstance(results[3], Unstorable)
    assert [result.seq for result in results if isinstance(result, Receipt)] == [1, 2, 3, 4, 5]
    assert "b-0000" not in str(results[3]) + str(results[3].__cause__)


async def test_what_is_in_line_is_stored_at_the_close_and_nothing_after_it(path: Path) -> None:
    journal = await SqlJournal.open(path, SystemClock(), queue_depth_max=10, group_max=3)
    waiting = [asyncio.ensure_future(journal.append(badge(f"e{number}"))) for number in range(30)]
    await asyncio.sleep(0)
    await journal.close()
    results = await asyncio.gather(*waiting, return_exceptions=True)
    stored = [result for result in results if isinstance(result, Receipt)]
    assert len(stored) >= 10
    assert all(isinstance(result, Receipt | JournalUnavailable) for result in results)
    assert len(seen_by_another(path)) == len(stored)
    with pytest.raises(JournalUnavailable, match="closed"):
        await journal.append(badge("late"))
    with pytest.raises(JournalUnavailable, match="closed"):
        await journal.open_run("printer-a")
    with pytest.raises(JournalUnavailable):
        await journal.checkpoint()
    assert not journal.health().alive
    await journal.close()


async def test_a_close_that_is_cut_short_still_lets_the_next_one_in(path: Path) -> None:
    journal = await SqlJournal.open(path, SystemClock(), group_max=1)
    waiting = [asyncio.ensure_future(journal.append(badge(f"e{number}"))) for number in range(500)]
    await asyncio.sleep(0)
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.001):
            await journal.close()
    results = await asyncio.gather(*waiting, return_exceptions=True)
    acknowledged = sum(isinstance(result, Receipt) for result in results)
    assert all(isinstance(result, Receipt | JournalUnavailable) for result in results)
    again = await SqlJournal.open(path, SystemClock())
    assert await again.count_facts() >= acknowledged
    await again.close()


async def test_numbers_and_identities_go_on_after_reopening(path: Path) -> None:
    for opening in range(3):
        journal = await SqlJournal.open(path, SystemClock())
        assert journal.fence == opening + 1
        assert await journal.append(badge(f"e{opening}")) == Receipt("stored", opening + 1)
        assert await journal.append(badge("e0")) == Receipt("duplicate", 1)
        await journal.observe("printer-b", [], read(opening, "printer-b"))
        await journal.close()
    async with await SqlReads.open_for_reading(path) as reads:
        run = await reads.open_run("printer-b")
        assert run is not None
        assert run.fact == read(2, "printer-b")


async def test_a_fact_can_be_neither_changed_nor_deleted(journal: SqlJournal, path: Path) -> None:
    await journal.append(badge("e1"))
    with closing(sqlite3.connect(path)) as connection:
        with pytest.raises(sqlite3.IntegrityError, match="never changed"):
            connection.execute("UPDATE fact SET body = '{}'")
        with pytest.raises(sqlite3.IntegrityError, match="never deleted"):
            connection.execute("DELETE FROM fact")


async def test_the_conflicting_event_itself_is_kept(journal: SqlJournal, path: Path) -> None:
    await journal.append(started("e1"))
    await journal.append(started("e1", job="job-of-the-second"))
    [body] = seen_by_another(path, "SELECT body FROM conflict")
    assert "job-of-the-second" in body
    assert seen_by_another(path, "SELECT seq FROM conflict") == [2]


async def test_a_reader_that_stays_lets_the_side_file_grow_and_it_shrinks_without_a_restart(path: Path) -> None:
    """abeggled/openbridgeserver#908 and others: a write-ahead file of 26 GB."""
    journal = await SqlJournal.open(path, SystemClock(), wal_limit_bytes=200_000)
    await journal.append(badge("e0"))
    with closing(sqlite3.connect(path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM fact").fetchall()
        for part in range(4):
            await appended(journal, [badge(f"e{part}-{number}") for number in range(300)])
        grown = journal.health()
        assert grown.wal_size_bytes > grown.wal_limit_bytes
        assert await journal.checkpoint() is False
        reader.execute("COMMIT")
    assert await journal.checkpoint() is True
    assert journal.health().wal_size_bytes == 0
    await journal.close()


async def test_the_side_file_is_cut_by_itself_beyond_its_limit(path: Path) -> None:
    journal = await SqlJournal.open(path, SystemClock(), wal_limit_bytes=100_000)
    for part in range(4):
        await appended(journal, [badge(f"e{part}-{number}") for number in range(400)])
    assert journal.health().wal_size_bytes <= 2_000_000
    cut_at = seen_by_another(path, "SELECT count(*) FROM fact")
    assert cut_at == [1_600]
    await journal.close()


async def test_durability_settings_are_in_force(journal: SqlJournal) -> None:
    async def pragma(name: str) -> Any:
        return await journal._thread.run_raw(lambda raw: raw.execute(f"PRAGMA {name}").fetchone()[0])

    assert await pragma("journal_mode") == "wal"
    assert await pragma("synchronous") == 2
    assert await pragma("foreign_keys") == 1
    assert await pragma("busy_timeout") == 5_000
    assert await pragma("journal_size_limit") == 16 * 2**20


async def test_readers_cannot_write(journal: SqlJournal) -> None:
    with pytest.raises(JournalUnavailable, match="readonly"):
        async with journal._reader.snapshot() as connection:
            await connection.exec_driver_sql("DELETE FROM row_segment")


async def test_the_files_are_not_for_everybody(journal: SqlJournal, path: Path) -> None:
    await journal.append(badge("e1"))
    for name in ("journal.db", "journal.db-wal", "journal.db-shm", "journal.db.lock"):
        assert stat.S_IMODE(path.with_name(name).stat().st_mode) == 0o600


async def test_the_driver_still_runs_a_function_on_its_thread(path: Path) -> None:
    """Guards the private names of aiosqlite that WriterThread uses: update connections.py where this fails."""
    thread = await WriterThread.connect(path)
    ours = threading.get_ident()
    there = await thread.run_raw(lambda raw: (threading.get_ident(), raw.execute("SELECT 1").fetchone()))
    assert there[0] != ours
    assert there[1] == (1,)
    await thread.close()


async def test_a_group_costs_one_hop_to_the_thread(journal: SqlJournal, monkeypatch: pytest.MonkeyPatch) -> None:
    hops: list[int] = []

    def counted(connection: Connection, requests: Sequence[Any], heads: Any) -> Any:
        hops.append(len(requests))
        return store_group(connection, requests, heads)

    monkeypatch.setattr(committing_module, "store_group", counted)
    await appended(journal, [badge(f"e{number}") for number in range(50)])
    assert sum(hops) == 50
    assert len(hops) <= 2
