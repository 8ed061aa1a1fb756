"""A small journal with facts of many kinds, and ways to edit it as somebody would who can write its file."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.facts import Assigned, Bound, Decided, PrinterNoted
from pagereeve.ports.store import Store
from pagereeve.queries.verify import HeldHead, Verification, verify
from pagereeve.store.records.body_forms import unpacked_body
from pagereeve.store.sql.stored_types import FACT_TEXT
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from tests.journal_samples import NOON_US, SECOND_US, badge, ended, origin, read, started

PRINTERS = ("printer-a", "printer-b")


async def fill(store: Store, first: int = 0, rounds: int = 3) -> None:
    """Twelve facts a round for each printer and two of the site; the first round has some that stand."""
    if first == 0:
        await store.append(Assigned(NOON_US, "owner-1", "centre-7"))
        await store.append(Bound(NOON_US, "b-0000", "owner-1", NOON_US))
    for number in range(first, first + rounds):
        at_us = NOON_US + number * 100 * SECOND_US
        for printer in PRINTERS:
            name = f"{printer}-{number}"
            await store.observe(printer, [], read(100 + number, printer, at_us=at_us))
            await store.append(badge(f"{name}-badge", printer, at_us=at_us + 1))
            begun = started(f"{name}-start", printer, at_us=at_us + 2, release=f"{name}-r", job=f"job-{number}")
            ticket = replace(begun.ticket, title="Minutes", pages=3)
            await store.append(replace(begun, badge="b-0000", queue="staff", ticket=ticket))
            await store.append(ended(f"{name}-end", f"{name}-r", printer, at_us=at_us + 3))
            sealed = read(100 + number, printer, at_us=at_us)
            await store.observe(printer, [sealed], read(101 + number, printer, at_us=at_us + 50))
            await store.append(PrinterNoted(printer, origin(f"{name}-note", at_us + 60), "moved", "to the hall"))
            await store.append(
                Decided(printer, origin(f"{name}-word", at_us + 61), "f-1", "explain", "warden", "jam", "tray 2")
            )
        await store.append(badge(f"site-{number}", "", at_us=at_us))


async def filled(path: Path, rounds: int = 3) -> HeldHead:
    """The journal at ``path``, closed in order; its head."""
    journal = await SqlJournal.open(path, SystemClock())
    await fill(journal, rounds=rounds)
    head = await journal.seal_head()
    await journal.close()
    assert head is not None
    return HeldHead(head.head, head.size, head.origin)


async def verified(path: Path, *heads: HeldHead) -> Verification:
    async with await SqlReads.open_for_reading(path) as reads:
        return await verify(reads, heads)


def looked_into(path: Path) -> sqlite3.Connection:
    """Its statements may look into bodies, by ``fact_text(body)``."""
    connection = sqlite3.connect(path)
    connection.create_function(FACT_TEXT, 1, unpacked_body, deterministic=True)
    return connection


def bodies(path: Path) -> list[tuple[bytes, str]]:
    """Each fact's body as it is stored, and as it is read."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT body FROM fact").fetchall()
    return [(body if isinstance(body, bytes) else body.encode(), unpacked_body(body)) for (body,) in rows]


def edit(path: Path, *statements: str) -> None:
    """As an administrator of the database would: without the triggers, and in the file itself."""
    with closing(looked_into(path)) as connection, connection:
        triggers = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (name,) in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            done = connection.execute(statement)
            assert done.rowcount != 0, statement
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def named(done: Verification) -> list[tuple[str, str, int]]:
    return [(one.what, one.printer, one.seq) for one in done.problems]
