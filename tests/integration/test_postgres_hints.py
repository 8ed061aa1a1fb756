"""Hints of several workers in one database: killed, stopped in the middle of a transaction, and awake again."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from contextlib import AsyncExitStack, contextmanager
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import Connection
from sqlalchemy.exc import StatementError
from sqlalchemy.util import await_only

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import rebuild
from pagereeve.ports.hints import Hint
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.connecting import Limits
from pagereeve.store.postgres.connections import WriterConnection
from pagereeve.store.postgres.hints import PostgresHints
from pagereeve.store.postgres.journal import PostgresJournal
from tests.histories import PRINTER, SIMPLE, ended, policy, reading, started
from tests.integration.daemon import until
from tests.integration.postgres_server import Server, url_of

PRINTERS = [Hint("printer", f"p-{number}") for number in range(6)]
SHORT_S = 1.0
"""A lifetime for tests, of which the product's is fifteen."""

WAITED_S = 1.0
"""Less than any of the limits that would end a wait."""

Opened = Callable[..., PostgresHints]
Journals = Callable[[], Awaitable[PostgresJournal]]


@pytest.fixture
async def opened(postgres_journal: Address) -> AsyncIterator[Opened]:
    async with AsyncExitStack() as stack:

        def make(worker: int, *, lifetime_s: float = SHORT_S, **more: object) -> PostgresHints:
            one = PostgresHints(postgres_journal, worker, lifetime_s=lifetime_s, **more)  # type: ignore[arg-type]
            stack.push_async_callback(one.close)
            return one

        yield make


@pytest.fixture
async def journals(postgres_journal: Address) -> AsyncIterator[Journals]:
    async with AsyncExitStack() as stack:

        async def make() -> PostgresJournal:
            one = await PostgresJournal.open(postgres_journal, SystemClock(), SystemEntropy())
            stack.push_async_callback(one.close)
            return one

        yield make


async def test_what_one_holds_is_nobody_elses_until_its_sign_of_life_is_old(opened: Opened) -> None:
    first, second = opened(1), opened(2)
    for one in (first, second):
        await one.open(PRINTERS)
        await one.renew()
    assert len(await first.take(PRINTERS, 4)) == 4
    assert await second.take(PRINTERS, 9) == PRINTERS[4:]
    assert (await second.renew()).workers == (1, 2)
    await asyncio.sleep(SHORT_S + 0.1)
    assert (await second.renew()).workers == (2,)
    assert await second.take(PRINTERS, 3) == PRINTERS[:3]
    # The first wakes: of what it held it has what nobody took meanwhile.
    standing = await first.renew()
    assert standing.workers == (1, 2)
    assert standing.mine == {PRINTERS[3]}
    assert await second.take(PRINTERS, 9) == []


async def test_one_renewal_keeps_all(opened: Opened) -> None:
    first, second = opened(1), opened(2)
    for one in (first, second):
        await one.open(PRINTERS)
    await first.renew()
    await first.take(PRINTERS, 9)
    for _ in range(4):
        await asyncio.sleep(SHORT_S / 2)
        assert (await first.renew()).mine == set(PRINTERS)
        assert await second.take(PRINTERS, 9) == []


async def test_who_stops_in_order_leaves_all_at_once(opened: Opened) -> None:
    first, second = opened(1, lifetime_s=60.0), opened(2)
    for one in (first, second):
        await one.open(PRINTERS)
        await one.renew()
    await first.take(PRINTERS, 9)
    await first.close()
    assert (await second.renew()).workers == (2,)
    assert await second.take(PRINTERS, 9) == PRINTERS


async def test_the_only_one_waits_for_no_sign_of_the_dead(opened: Opened) -> None:
    """As after a kill: the lock of the only one says that nobody else is alive."""
    before = opened(1, lifetime_s=60.0)
    await before.open(PRINTERS)
    await before.renew()
    await before.take(PRINTERS, 9)
    after = opened(2, alone=True)
    await after.open(PRINTERS)
    await after.renew()
    assert await after.take(PRINTERS, 9) == PRINTERS
    assert (await before.renew()).mine == frozenset()


async def test_whoever_comes_back_has_what_it_held_at_once(opened: Opened) -> None:
    """As after SIGKILL: nobody gave anything back, and its signs are young."""
    killed, other = opened(1, lifetime_s=600.0), opened(2, lifetime_s=600.0)
    await killed.open(PRINTERS)
    await killed.renew()
    await killed.take(PRINTERS, 4)
    await killed._connection.close()
    await other.open(PRINTERS)
    assert (await other.renew()).workers == (1, 2)
    assert await other.take(PRINTERS, 9) == PRINTERS[4:]
    again = opened(3, before=1)
    await again.open(PRINTERS)
    standing = await again.renew()
    assert standing.workers == (2, 3)
    assert standing.mine == set(PRINTERS[:4])


async def test_a_twin_with_a_copy_of_the_folder_takes_nothing_from_the_one_that_lives(opened: Opened) -> None:
    living = opened(1, lifetime_s=600.0)
    await living.open(PRINTERS)
    await living.renew()
    await living.take(PRINTERS, 9)
    for twin in (opened(2, before=1), opened(3, before=1)):
        await twin.open(PRINTERS)
        assert (await twin.renew()).mine == frozenset()
        assert await twin.take(PRINTERS, 9) == []
    assert (await living.renew()).mine == set(PRINTERS)
    # Its session was cut off, and is made again: it is marked as alive again.
    await living._connection._drop()
    await living.renew()
    late = opened(4, before=1)
    await late.open(PRINTERS)
    assert (await late.renew()).mine == frozenset()


async def test_each_learns_what_the_others_know(opened: Opened) -> None:
    first, second = opened(1, lifetime_s=60.0), opened(2, lifetime_s=60.0)
    await first.open(PRINTERS[:3])
    assert (await first.renew()).knows == {1: {"p-0", "p-1", "p-2"}}
    await second.open(PRINTERS[2:])
    theirs = frozenset({"p-2", "p-3", "p-4", "p-5"})
    assert (await second.renew()).knows == (await first.renew()).knows == {1: {"p-0", "p-1", "p-2"}, 2: theirs}
    await first.offer(PRINTERS[2:])
    knows = (await first.renew()).knows
    assert knows[1] is knows[2]
    assert (await second.renew()).knows == {1: theirs, 2: theirs}


async def test_many_that_take_at_once_share_without_waiting(opened: Opened) -> None:
    workers = [opened(number, lifetime_s=30.0) for number in range(1, 6)]
    names = [Hint("printer", f"of-many-{number:03}") for number in range(300)]
    for one in workers:
        await one.open(names)
        await one.renew()
    taken = await asyncio.gather(*(one.take(names, 70) for one in workers))
    everything = [hint for some in taken for hint in some]
    assert len(everything) == len(set(everything))
    assert all(len(some) <= 70 for some in taken)
    await asyncio.gather(*(one.take(names, 300) for one in workers))
    held = [(await one.renew()).mine for one in workers]
    assert sum(map(len, held)) == len(frozenset().union(*held)) == 300


@contextmanager
def holding(address: Address, statement: str, path: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process, which has done that in a transaction and is stopped before it commits."""
    code = textwrap.dedent(
        """
        import asyncio, sys
        from pagereeve.store.postgres.address import Address
        from pagereeve.store.postgres.connecting import Limits
        from pagereeve.store.postgres.connections import WriterConnection

        def work(connection):
            with connection.begin():
                connection.exec_driver_sql(sys.argv[3])
                print("holds", flush=True)
                sys.stdin.readline()
            return "committed"

        async def main():
            one = WriterConnection(Address.of(sys.argv[1], open(sys.argv[2]).read()),
                                   limits=Limits(lock_ms=1000, idle_in_transaction_ms=1500))
            try:
                print(await one.run(work), flush=True)
            except Exception as error:
                print(type(error).__name__, getattr(error, "orig", error), flush=True)

        asyncio.run(main())
        """
    )
    path.write_text(address.password or "")
    argv = [sys.executable, "-c", code, url_of(address), str(path), statement]
    process = subprocess.Popen(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "holds\n"
        os.kill(process.pid, signal.SIGSTOP)
        yield process
    finally:
        process.kill()
        process.wait()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE hint SET worker = 9 WHERE name = 'p-1'",
        "SELECT * FROM hint WHERE name = 'p-1' FOR KEY SHARE",
        "SELECT * FROM hint WHERE name = 'p-1' FOR UPDATE",
    ],
)
async def test_who_is_stopped_in_a_transaction_holds_nobody_up_and_what_it_did_there_is_undone(
    opened: Opened, postgres_journal: Address, tmp_path: Path, statement: str
) -> None:
    """It is passed over while its session lives, and that ends by the server's clock."""
    stopped, one = opened(9), opened(2, lifetime_s=600.0)
    await stopped.open(PRINTERS)
    await stopped.renew()
    await stopped.take([PRINTERS[1]], 1)
    await one.open(PRINTERS)
    await one.renew()
    with holding(postgres_journal, statement, tmp_path / "password") as process:
        await asyncio.sleep(SHORT_S)
        began_s = time.monotonic()
        assert await one.take(PRINTERS, 9) == [PRINTERS[0], *PRINTERS[2:]]
        assert time.monotonic() - began_s < WAITED_S

        async def freed() -> bool | None:
            return await one.take(PRINTERS, 9) == [PRINTERS[1]] or None

        await until(freed, "the stopped one's session to be ended")
        os.kill(process.pid, signal.SIGCONT)
        said, _ = process.communicate("\n")
        assert "committed" not in said
    assert (await one.renew()).mine == set(PRINTERS)


async def test_a_wait_for_a_lock_has_an_end(opened: Opened, postgres_journal: Address) -> None:
    one = opened(1, limits=Limits(lock_ms=200))
    await one.open(PRINTERS)
    await one.renew()
    await one.take(PRINTERS, 9)
    other, held, done = WriterConnection(postgres_journal), asyncio.Event(), asyncio.Event()

    def locked(connection: Connection) -> None:
        with connection.begin():
            connection.exec_driver_sql("SELECT * FROM hint FOR UPDATE")
            held.set()
            await_only(done.wait())

    holder = asyncio.create_task(other.run(locked))
    await held.wait()
    with pytest.raises(JournalUnavailable) as caught:
        await one.give_back(PRINTERS)
    assert caught.value.hindrance == "busy"
    done.set()
    await holder
    await other.close()
    await one.give_back(PRINTERS)
    assert (await one.renew()).mine == frozenset()


async def test_a_connection_that_was_cut_off_in_a_statement_is_made_again(postgres_journal: Address) -> None:
    """As after a standstill: what was under way has taken too long by then."""
    one = WriterConnection(postgres_journal)

    def said(connection: Connection, statement: str) -> object:
        with connection.begin():
            return connection.exec_driver_sql(statement).scalar_one()

    try:
        assert await one.run(partial(said, statement="SELECT 1")) == 1
        for _ in range(2):
            with pytest.raises(TimeoutError):
                await one.run(partial(said, statement="SELECT pg_sleep(30)::text"), 0.5)
            assert await one.run(partial(said, statement="SELECT 2")) == 2
        # As where a commit or its undoing was cut off: the next one fails, and not all that come after it.
        assert one._connection is not None
        assert one._connection.sync_connection is not None
        one._connection.sync_connection.connection.invalidate()
        with pytest.raises(StatementError):
            await one.run(partial(said, statement="SELECT 3"))
        assert await one.run(partial(said, statement="SELECT 4")) == 4
    finally:
        await one.close()


async def test_a_database_that_is_away_is_said_to_be(postgres: Server, opened: Opened) -> None:
    nowhere = PostgresHints(Address("127.0.0.1", "pages", "pagereeve", "word-of-nobody", 9), 1)
    with pytest.raises(JournalUnavailable) as caught:
        await nowhere.renew()
    assert caught.value.hindrance == "away"
    await nowhere.close()


async def test_whoever_stood_still_takes_nothing_away_from_who_has_the_printer_now(
    opened: Opened, journals: Journals
) -> None:
    """What it read becomes a fact, and the run under way stays that of the other. The same readings count once."""
    ours, theirs = await journals(), await journals()
    one, other = opened(ours.fence), opened(theirs.fence)
    watched = [Hint("printer", PRINTER)]
    await one.open(watched)
    await one.renew()
    await one.take(watched, 1)
    for fact in (policy(), started("r-1", 0, "anise", SIMPLE), ended("r-1", 6)):
        await ours.append(fact)
    await ours.observe(PRINTER, [], reading(-1800, -20, 1000, count=3))
    assert await other.take(watched, 1) == []
    await asyncio.sleep(SHORT_S + 0.1)
    await other.renew()
    assert await other.take(watched, 1) == watched
    durable = await theirs.open_run(PRINTER)
    assert durable is not None
    await theirs.observe(PRINTER, [durable.fact], reading(9, 40, 1005, count=4))
    await ours.observe(PRINTER, [], reading(-1800, -2, 1000, count=4))
    await ours.observe(PRINTER, [reading(-1800, -1, 1000, count=5)], reading(10, 30, 1005, count=4))
    still = await theirs.open_run(PRINTER)
    assert still is not None
    assert still.fact == reading(9, 40, 1005, count=4)
    facts = [stored.fact async for stored in theirs.facts(PRINTER)]
    assert len(facts) == 7
    known_once = [one for one in facts if not isinstance(one, PlateauRead)] + [reading(-1800, -1, 1000, count=5)]
    assert charges(rebuild(PRINTER, facts, still.fact)) == charges(rebuild(PRINTER, known_once, still.fact)) == [5]
    # Given back in order it is not the first one's either, until it takes it.
    await other.give_back(watched)
    await ours.observe(PRINTER, [], reading(20, 50, 1005, count=4))
    assert await theirs.open_run(PRINTER) == still
    await one.renew()
    assert await one.take(watched, 1) == watched
    await ours.observe(PRINTER, [], reading(60, 70, 1005, count=4))
    mine = await theirs.open_run(PRINTER)
    assert mine is not None
    assert mine.fact == reading(60, 70, 1005, count=4)


def charges(segments: Sequence[RowSegment]) -> list[int]:
    return [one.charged for segment in segments for one in segment.charges if one.channel == "total"]
