"""Several workers append to one PostgreSQL: killed, stopped, cut off, and nothing lost, nothing twice, no gap."""

from __future__ import annotations

import asyncio
import itertools
import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, select
from sqlalchemy.exc import DBAPIError

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.app.replay import replay_store
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.queries.verify import verify
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.appending import Pending, became
from pagereeve.store.postgres.connecting import Limits, connected
from pagereeve.store.postgres.connections import WriterConnection
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.postgres.reads import PostgresReads
from pagereeve.store.postgres.sqlstates import sqlstate_of
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.reads import StoreReads
from pagereeve.store.sql.transaction import Outcome
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.postgres_server import Server, url_of
from tests.journal_samples import badge, read

PRINTERS = ("printer-0", "printer-1", "printer-2")
LOCK_TIMEOUT = "55P03"
STATEMENT_TIMEOUT = "57014"


@asynccontextmanager
async def workers(address: Address, count: int, *, in_turn: bool = True) -> AsyncIterator[list[PostgresJournal]]:
    opened: list[PostgresJournal] = []
    try:
        while len(opened) < count:
            opened.append(await PostgresJournal.open(address, SystemClock(), SystemEntropy(), in_turn=in_turn))
        yield opened
    finally:
        for one in opened:
            await one.close()


async def require_whole(reads: StoreReads) -> dict[str, str]:
    """No gap in any timeline, no event twice, each fact sealed as it stands; printers by the ids of their events."""
    printers: dict[str, str] = {}
    facts = 0
    for printer in await reads.printers():
        stored = [one async for one in reads.facts(printer)]
        assert [one.seq for one in stored] == list(range(1, len(stored) + 1))
        facts += len(stored)
        for one in stored:
            origin = getattr(one.fact, "origin", None)
            if origin is not None:
                assert origin.key[1] not in printers
                printers[origin.key[1]] = printer
    assert reads.damaged() == ()
    verified = await verify(reads)
    assert verified.problems == []
    assert verified.checked == facts
    return printers


@pytest.mark.parametrize("in_turn", [True, False], ids=["in turn", "by the keys alone"])
async def test_workers_append_the_same_and_different_events_at_once(postgres_journal: Address, in_turn: bool) -> None:
    async def work(journal: PostgresJournal, name: str) -> list[str]:
        outcomes: list[str] = []
        for number in range(25):
            printer = PRINTERS[number % 3]
            outcomes.append((await journal.append(badge(f"same-{number}", printer))).outcome)
            assert (await journal.append(badge(f"{name}-{number}", printer))).outcome == "stored"
            await journal.observe(printer, [], read(number + 1, printer))
        return outcomes

    async with workers(postgres_journal, 3, in_turn=in_turn) as journals:
        found = await asyncio.gather(*(work(one, f"worker-{place}") for place, one in enumerate(journals)))
        clashes = sum(one._writer.clashes for one in journals)
    for number in range(25):
        assert sorted(one[number] for one in found) == ["duplicate", "duplicate", "stored"]
    async with await PostgresReads.open_for_reading(postgres_journal) as reads:
        assert len(await require_whole(reads)) == 4 * 25
    # The keys were put to the test, or nobody's turn was needed.
    assert (clashes == 0) is in_turn


WORKER = """
    import asyncio, os, signal, sys
    from pagereeve.app.clocks import SystemClock, SystemEntropy
    from pagereeve.store.postgres.address import Address
    from pagereeve.store.postgres.appending import SharedHeads
    from pagereeve.store.postgres.connecting import Limits
    from pagereeve.store.postgres.journal import PostgresJournal
    from tests.journal_samples import badge, ended, read, started

    name, stops = sys.argv[1], sys.argv[2] == "stops"
    address = Address.of(os.environ["URL"], os.environ["PASSWORD"])
    commits = 0

    def before_commit(heads, outcome, known=SharedHeads.before_commit):
        global commits
        commits += 1
        if stops and commits % 60 == 8:
            # Inside of its transaction, with the seal's row in its hand.
            os.write(1, b"stopped\\n")
            os.kill(os.getpid(), signal.SIGSTOP)
        known(heads, outcome)

    SharedHeads.before_commit = before_commit

    async def produce(journal, lane):
        for number in range(30):
            printer = f"printer-{number % 3}"
            await journal.append(badge(f"same-{lane}-{number}", printer))
            event = f"{name}-{lane}-{number}"
            for fact in (started(event, printer), ended(event + "-end", f"release-{event}", printer)):
                receipt = await journal.append(fact)
                os.write(1, f"{fact.origin.key[1]} {receipt.seq} {printer}\\n".encode())
            await journal.observe(printer, [], read(number + 1, printer))
        await asyncio.Event().wait()

    async def main():
        limits = Limits(idle_in_transaction_ms=1_000)
        journal = await PostgresJournal.open(address, SystemClock(), SystemEntropy(), limits=limits)
        async with asyncio.TaskGroup() as lanes:
            for lane in range(3):
                lanes.create_task(produce(journal, lane))

    asyncio.run(main())
"""
ACKNOWLEDGED = 12
KILLS = 2
STOPPED_S = 1.6


class Worker:
    """A process that appends until it is killed, and what it acknowledged through a pipe that outlives it."""

    def __init__(self, address: Address, name: str, *, stops: bool = False) -> None:
        argv = [sys.executable, "-c", textwrap.dedent(WORKER), name, "stops" if stops else "goes on"]
        told = {"URL": url_of(address), "PASSWORD": address.password or ""}
        self.process = subprocess.Popen(
            argv, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2], env={**os.environ, **told}
        )
        self.lines: list[str] = []
        self.has_stopped = asyncio.Event()

    async def watch(self) -> None:
        """Reads until the process has ended; lets it go on where it has stopped itself."""
        out = self.process.stdout
        assert out is not None
        while line := await asyncio.to_thread(out.readline):
            if line == b"stopped\n":
                self.has_stopped.set()
                await asyncio.sleep(STOPPED_S)
                self.process.send_signal(signal.SIGCONT)
            elif line.endswith(b"\n"):
                self.lines.append(line.decode())
        out.close()
        await asyncio.to_thread(self.process.wait)


async def busy(*workers: Worker) -> None:
    """Each has acknowledged something: a busy machine is slow to begin."""
    while any(len(one.lines) < ACKNOWLEDGED for one in workers):
        assert all(one.process.poll() is None for one in workers)
        await asyncio.sleep(0.02)


async def rows_of(reads: Any) -> dict[str, Sequence[Any]]:
    """All rows of the ledger's tables, in order of their keys."""
    tables = (schema.segment, *schema.SEGMENT_PARTS)
    return {
        table.name: [tuple(row) for row in await reads._reader.rows(select(table).order_by(*table.primary_key.columns))]
        for table in tables
    }


async def test_three_processes_one_killed_again_and_again_and_one_stopped_in_a_transaction(
    postgres_journal: Address, tmp_path: Path
) -> None:
    steady, stopping = Worker(postgres_journal, "steady"), Worker(postgres_journal, "stopping", stops=True)
    everybody = [steady, stopping]
    watching = [asyncio.create_task(one.watch()) for one in everybody]
    try:
        for life in range(KILLS):
            killed = Worker(postgres_journal, f"killed-{life}")
            everybody.append(killed)
            watching.append(asyncio.create_task(killed.watch()))
            await busy(killed)
            killed.process.kill()
        await busy(steady, stopping)
        await stopping.has_stopped.wait()
        await asyncio.sleep(STOPPED_S + 0.5)
    finally:
        # Also where this fails: the loop's end would wait for ever for what still reads from them.
        for one in everybody:
            one.process.kill()
    await asyncio.gather(*watching)
    acknowledged = dict(line.split()[::2] for one in everybody for line in one.lines)
    journal = await PostgresJournal.open(postgres_journal, SystemClock(), SystemEntropy(), company="alone")
    assert acknowledged.items() <= (await require_whole(journal)).items()
    single = await SqlJournal.open(tmp_path / "single.sqlite", SystemClock())
    for printer in await journal.printers():
        async for stored in journal.facts(printer):
            await single.append(stored.fact)
        run = await journal.open_run(printer)
        assert run is not None
        await single.observe(printer, [], run.fact)
    ledgers = []
    for opened in (journal, single):
        await replay_store(opened, store=True)
        ledgers.append(await rows_of(opened))
        await opened.close()
    assert ledgers[0] == ledgers[1]
    assert len(ledgers[0]["charge"]) > 20


async def test_a_journal_is_opened_while_others_append_to_it(postgres_journal: Address) -> None:
    async def append(journal: PostgresJournal, lane: int) -> None:
        for number in itertools.count():
            await journal.append(badge(f"beside-{lane}-{number}", PRINTERS[lane]))

    async with workers(postgres_journal, 1, in_turn=True) as [journal]:
        appending = [asyncio.create_task(append(journal, lane)) for lane in range(3)]
        for _ in range(25):
            beside = await PostgresJournal.open(postgres_journal, SystemClock(), SystemEntropy())
            await beside.close()
        for one in appending:
            one.cancel()
        await asyncio.gather(*appending, return_exceptions=True)
        assert len(await require_whole(journal)) > 25


async def test_the_server_restarts_under_the_writer(postgres: Server, postgres_journal: Address) -> None:
    """As after a crash. Readings have no identity by which a second delivery is known: they are there once, too."""
    acknowledged: list[str] = []

    async def produce(journal: PostgresJournal, lane: int) -> None:
        printer = PRINTERS[lane]
        for number in range(60):
            try:
                await journal.append(badge(f"{lane}-{number}", printer))
            except JournalUnavailable:
                continue
            acknowledged.append(f"{lane}-{number}")
            await asyncio.sleep(0.01)

    async with workers(postgres_journal, 1, in_turn=True) as [journal]:
        producing = asyncio.gather(*(produce(journal, lane) for lane in range(3)))
        await asyncio.sleep(0.3)
        await cut_off(postgres)
        await producing
        assert await journal.look() == ""
        assert journal.trouble() == ""
        stored = await require_whole(journal)
        assert set(acknowledged) <= set(stored)
        assert len(acknowledged) > 60


async def cut_off(postgres: Server) -> None:
    if postgres.data is None:
        postgres.run("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'pagereeve'")
        return
    postgres.stop()
    await asyncio.sleep(0.2)
    # Not in a thread of its own: with the thread that began it the server ends.
    postgres.start()


async def test_a_commit_whose_answer_is_lost_is_looked_up(postgres_journal: Address) -> None:
    """Stored, though nobody heard of it: it is not stored again. Not stored: it is stored then."""
    async with workers(postgres_journal, 1, in_turn=True) as [journal]:
        for number, real in ((1, True), (2, False)):
            losing = partial(lose_the_answer, journal, stored=real)
            await journal.observe("printer-0", [read(number * 10, "printer-0")], read(number * 10 + 1, "printer-0"))
            losing()
            receipt = await journal.append(badge(f"e{number}"))
            assert receipt.outcome == "stored"
            losing()
            [seq] = await journal.observe("printer-1", [read(number, "printer-1")], read(number + 1, "printer-1"))
            assert seq == number
        await require_whole(journal)
        assert await journal.count_facts() == 6


def lose_the_answer(journal: PostgresJournal, *, stored: bool) -> None:
    """The next group's connection ends: after its commit, or before."""
    run = journal._connection.run

    async def once(work: Any, *bound: Any) -> Any:
        journal._connection.run = run  # type: ignore[method-assign]
        if stored:
            await run(work, *bound)
            raise ConnectionResetError("the answer is lost")

        def cut(connection: Connection) -> Any:
            with connection.begin():
                connection.exec_driver_sql("SELECT pg_terminate_backend(pg_backend_pid())")
            return work(connection)

        return await run(cut, *bound)

    journal._connection.run = once  # type: ignore[method-assign,assignment]


@pytest.mark.alone
async def test_locks_and_statements_end_also_those_of_many_rows(postgres_journal: Address) -> None:
    """asyncpg sends the rows of one statement behind one another, without waiting for each: limits hold for them."""
    limits = Limits(statement_ms=400, lock_ms=200)
    other, holder = WriterConnection(postgres_journal, limits=limits), await connected(postgres_journal, Limits())

    async def ends(statement: str, parameters: Any = None) -> str:
        """What ends it, behind one of many rows that ended well."""

        def work(connection: Connection) -> None:
            with connection.begin():
                connection.exec_driver_sql("INSERT INTO open_run VALUES ($1, $2)", [(str(n), "x") for n in range(50)])
                connection.exec_driver_sql(statement, parameters)

        with pytest.raises(DBAPIError) as caught:
            await other.run(work)
        return sqlstate_of(caught.value)

    try:
        await holder.execute("INSERT INTO key_check VALUES ('held', '', 1)")
        async with holder.transaction():
            await holder.execute("UPDATE key_check SET value = 'x'")
            await holder.execute("INSERT INTO key_check VALUES ('next', '', 1)")
            assert await ends("UPDATE key_check SET value = 'y' WHERE name = 'held'") == LOCK_TIMEOUT
            twice = [("another", "x"), ("next", "x")]
            assert await ends("INSERT INTO key_check VALUES ($1, $2, 1)", twice) == LOCK_TIMEOUT
        assert await ends("SELECT pg_sleep(5)") == STATEMENT_TIMEOUT
        assert await ends("SELECT pg_sleep($1)", [(0.0,), (0.0,), (5.0,)]) == STATEMENT_TIMEOUT
    finally:
        await holder.close()
        await other.close()


async def test_a_number_of_a_transaction_that_is_given_again_after_a_crash_stores_nothing(
    postgres: Server, postgres_journal: Address
) -> None:
    """A crash leaves numbers free of which nothing had reached the log; other transactions take them, and commit."""
    async with workers(postgres_journal, 1, in_turn=True) as [journal]:
        await journal.append(badge("before", PRINTERS[0]))
        heads = journal._writer.committer.heads
        outcome = Outcome([], 0, 0, 0)
        somebodys = postgres.run("SELECT pg_current_xact_id()", postgres_journal.database)
        not_given = str(int(somebodys) + 1_000)
        stored = heads._number
        for transaction, number, expected in (
            (somebodys, stored, "committed"),
            (somebodys, stored + 1, "aborted"),
            (not_given, stored, "committed"),
            (not_given, stored + 1, "aborted"),
        ):
            pending = Pending(transaction, heads.writer, number, outcome)
            assert await journal._connection.run(partial(became, pending=pending)) == expected
