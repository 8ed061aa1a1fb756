"""Two projectors of one printer: rows of fewer facts never take the place of rows of more, in any store."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.domain.projection.projector import PrinterProjector
from pagereeve.engine.ledger_updater import LedgerUpdater
from pagereeve.engine.printers.loading import open_projector
from pagereeve.engine.supervision.heartbeat import Heartbeat
from pagereeve.ports.ledger import StaleRows
from pagereeve.ports.store import Store
from pagereeve.queries.replay import replayed_printer
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.connecting import Limits
from pagereeve.store.postgres.journal import PostgresJournal
from tests.histories import PRINTER, SIMPLE, ended, policy, reading, started
from tests.integration.postgres_server import url_of
from tests.journal_samples import badge, segment

FACTS = (policy(), reading(-1800, -2, 1000, count=4), started("r-1", 0, "anise", SIMPLE), ended("r-1", 6))
MORE = (reading(9, 60, 1005, count=9), started("r-2", 100, "basil", SIMPLE), ended("r-2", 106))
LAST = (reading(109, 160, 1010, count=9), reading(900, 960, 1012, count=9))


def updater(store: Store) -> LedgerUpdater[PrinterProjector]:
    clock = SystemClock()

    async def opened(before_us: int) -> PrinterProjector:
        return await open_projector(store, PRINTER, before_us)

    return LedgerUpdater(PRINTER, store, clock, Heartbeat(clock), opened)


async def turn(one: LedgerUpdater[PrinterProjector]) -> None:
    if one.must_reopen:
        await one.reopen()
    await one.keep(one.project())


async def test_two_projectors_by_turns_leave_the_rows_of_all_facts(store: Store) -> None:
    ours, theirs = updater(store), updater(store)
    for fact in FACTS:
        await store.append(fact)
    for one in (ours, theirs):
        await one.open()
    for fact in MORE:
        await store.append(fact)
        theirs.opened().add(fact)
    theirs.changed()
    await turn(theirs)
    newer = await store.segments(PRINTER)
    # It knows none of what came since, and would take it back.
    await turn(ours)
    assert await store.segments(PRINTER) == newer
    assert (ours.refused, theirs.refused) == (1, 0)
    for fact in LAST:
        await store.append(fact)
    await turn(ours)
    assert (await replayed_printer(store, PRINTER)).differing == ()
    assert not (await replayed_printer(store, PRINTER)).behind
    theirs.opened().add(started("r-3", 1000, "anise", SIMPLE))
    await store.append(started("r-3", 1000, "anise", SIMPLE))
    theirs.changed()
    await turn(theirs)
    assert theirs.refused == 1
    await turn(theirs)
    replayed = await replayed_printer(store, PRINTER)
    assert (replayed.differing, replayed.behind) == ((), False)
    assert (ours.refused, theirs.refused) == (1, 1)


async def test_who_is_refused_takes_nobody_else_with_it(store: Store) -> None:
    await store.replace("printer-a", None, [segment("printer-a", 1)], after=0)
    assert await store.rows_version("printer-a") == 1
    came = await asyncio.gather(
        store.append(badge("b-1", "printer-a")),
        store.replace("printer-a", None, [], after=0),
        store.replace("printer-b", None, [segment("printer-b", 1)], after=0),
        return_exceptions=True,
    )
    assert [type(one).__name__ for one in came] == ["Receipt", "StaleRows", "NoneType"]
    assert len(await store.segments("printer-a")) == len(await store.segments("printer-b")) == 1
    assert [await store.rows_version(name) for name in ("printer-a", "printer-b", "printer-c")] == [1, 1, 0]
    # Whoever names no version replaces them whatever they are, and others know.
    await store.replace("printer-a", None, [])
    with pytest.raises(StaleRows):
        await store.replace("printer-a", None, [segment("printer-a", 2)], after=1)


FROZEN = """
    import asyncio, os, signal
    from pagereeve.app.clocks import SystemClock, SystemEntropy
    from pagereeve.ports.ledger import StaleRows
    from pagereeve.store.postgres.address import Address
    from pagereeve.store.postgres.appending import SharedHeads
    from pagereeve.store.postgres.connecting import Limits
    from pagereeve.store.postgres.journal import PostgresJournal
    from tests.journal_samples import segment

    address = Address.of(os.environ["URL"], os.environ["PASSWORD"])
    times = 0

    def before_commit(heads, outcome, known=SharedHeads.before_commit):
        global times
        times += 1
        if times == 1:
            # Inside of its transaction, with the seal's row and the printer's in its hand.
            os.write(1, b"frozen\\n")
            os.kill(os.getpid(), signal.SIGSTOP)
        known(heads, outcome)

    SharedHeads.before_commit = before_commit

    async def main():
        journal = await PostgresJournal.open(
            address, SystemClock(), SystemEntropy(), limits=Limits(idle_in_transaction_ms=1_000))
        try:
            await journal.replace("printer-a", None, [segment("printer-a", 1)], after=0)
        except StaleRows:
            os.write(1, b"refused\\n")
        finally:
            await journal.close()

    asyncio.run(main())
"""


def _projector_that_freezes(address: Address) -> subprocess.Popen[bytes]:
    told = {"URL": url_of(address), "PASSWORD": address.password or ""}
    argv = [sys.executable, "-c", textwrap.dedent(FROZEN)]
    return subprocess.Popen(argv, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2], env={**os.environ, **told})


async def test_one_that_froze_in_its_transaction_is_refused_when_it_wakes(postgres_journal: Address) -> None:
    address = postgres_journal
    frozen = _projector_that_freezes(address)
    out = frozen.stdout
    assert out is not None
    journal = await PostgresJournal.open(
        address, SystemClock(), SystemEntropy(), limits=Limits(idle_in_transaction_ms=1_000)
    )
    try:
        assert await asyncio.to_thread(out.readline) == b"frozen\n"
        assert await journal.rows_version("printer-a") == 0
        await journal.replace("printer-a", None, [segment("printer-a", 2)], after=0)
        frozen.send_signal(signal.SIGCONT)
        assert await asyncio.to_thread(out.read) == b"refused\n"
        assert [one.anchor_us for one in await journal.segments("printer-a")] == [segment("printer-a", 2).anchor_us]
        assert await journal.rows_version("printer-a") == 1
    finally:
        await journal.close()
        frozen.send_signal(signal.SIGCONT)
        frozen.kill()
        out.close()
        await asyncio.to_thread(frozen.wait)
