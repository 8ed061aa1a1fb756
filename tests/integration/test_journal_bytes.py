"""The same facts make the same rows, byte by byte, whichever way they go into the file."""

from __future__ import annotations

import hashlib
import itertools
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.facts import Assigned, Fact
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.store.records.body_forms import unpacked_body
from pagereeve.store.records.kind_forms import whole_kind
from pagereeve.store.sql.tables import SEGMENT_PARTS
from pagereeve.store.sql.tables import segment as segment_table
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.backups import UNNUMBERED
from tests.journal_samples import NOON_US, badge, ended, failed, read, segment, started

ORIGIN = "0123456789abcdef" * 2
TICKET = Ticket(pages=7, copies=2, sides="two-sided-long-edge", title='a "title" \\ é \U0001f5a8')
TABLES = ("fact", "seal_entry", "conflict", "open_run", "finding_change", "seal")
# What a version wrote that handed each statement to SQLAlchemy, and read each body again to seal it.
WRITTEN = "07f0651277974135ba67c6f8435c187b5ca8ac72ed9f4770c09dbfd4ba9cce64"


def salts(count: int) -> bytes:
    return bytes(itertools.islice(itertools.count(), count))


def groups() -> list[list[Fact]]:
    """Alone and together, known ones and conflicts among them; with personal members and without."""
    together: list[Fact] = [badge(f"b-{number}", f"printer-{number % 3}") for number in range(20)]
    start = replace(started("s-1"), ticket=TICKET, badge="b-0001", queue="floor 1", owner="o'wner \u2028")
    return [
        [start],
        [start],
        together,
        [*together[:5], replace(start, owner="owner-2"), ended("e-1", "release-s-1")],
        [Assigned(NOON_US, "owner-1", "history"), read(100), failed()],
        [ended("e-2", "release-s-1", "printer-a"), ended("e-3", "nothing", "printer-ü")],
    ]


async def fill(path: Path) -> None:
    journal = await SqlJournal.open(path, SystemClock())
    sealing = journal._writer.committer.heads.sealing
    sealing.salts = salts
    assert sealing.state is not None
    sealing.state.origin = ORIGIN
    await journal._thread.run_raw(
        lambda raw: raw.execute("UPDATE seal SET origin = ?, since_us = 0", (ORIGIN,)).rowcount
    )
    for group in groups():
        await journal.append_together(group) if len(group) > 1 else await journal.append(group[0])
    await journal.observe("printer-a", [read(101)], read(103))
    await journal.replace("printer-a", None, [segment("printer-a", 1), segment("printer-a", 2)])
    await journal.replace("printer-a", segment("printer-a", 2).anchor_us, [segment("printer-a", 2)])
    await journal.close()


def digest_of(path: Path) -> str:
    digest = hashlib.sha256()
    with closing(sqlite3.connect(path)) as connection:
        for table in (*TABLES, *(table.name for table in (segment_table, *SEGMENT_PARTS))):
            numbers = "row_number() OVER () AS rowid" if table in UNNUMBERED else "rowid"
            cursor = connection.execute(f"SELECT {numbers}, * FROM {table} ORDER BY rowid")
            names = [column[0] for column in cursor.description]
            rows = [dict(zip(names, row, strict=True)) for row in cursor]
            assert rows, table
            if table == "fact":
                # What is a column now was the number of its row.
                rows = [{"rowid": row.pop("place"), **row} for row in rows]
            for row in rows:
                if table == "fact":
                    # That version had no such column.
                    assert row.pop("origin") == 0
                    row["kind"] = whole_kind(row["kind"])
                    # Another release of zlib may pack the same body into other bytes.
                    row["body"] = (type(row["body"]).__name__, unpacked_body(row["body"]))
            if table == "row_segment":
                # They were text.
                rows = [row | {"resume_point": unpacked_body(row["resume_point"])} for row in rows]
            digest.update(repr((table, rows)).encode())
    return digest.hexdigest()


async def test_the_rows_are_those_that_were_always_written(tmp_path: Path) -> None:
    await fill(tmp_path / "journal.db")
    assert digest_of(tmp_path / "journal.db") == WRITTEN
