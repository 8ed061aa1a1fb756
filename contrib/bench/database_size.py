"""Bytes that a release takes in PostgreSQL, beside the journal's file, with the write-ahead log of the server.

    python contrib/bench/database_size.py [--releases 5000] [--printers 10] [--url URL]

Invented releases without badges and end notices: a start notice, a finished run of readings, the row of the ledger with
its parts, and the seal of both facts. Rows are projected once, at the end: a daemon that replaces them as facts come
leaves dead rows, which autovacuum takes back, and writes more log. The server is as in journal_postgres.py.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
import time
from pathlib import Path

from figures import Figure, report

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.app.journals import RunningJournal
from pagereeve.app.replay import replay_store
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.sqlite.journal import SqlJournal

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.integration.postgres_server import Server, running
from tests.late_releases import notices, observe, printer_name

AT_ONCE = 200


async def filled(journal: RunningJournal, releases: int, printers: int) -> float:
    """Processor time of our own, in seconds."""
    began_s = time.process_time()
    each = releases // printers
    try:
        for nth in range(printers):
            await observe(journal, printer_name(nth), each)
            for first in range(0, each, AT_ONCE):
                await journal.append_together(notices(printer_name(nth), range(first, min(first + AT_ONCE, each))))
        await replay_store(journal, store=True)
    finally:
        await journal.close()
    return time.process_time() - began_s


def size_of(server: Server, address: Address) -> tuple[int, int]:
    """Of the database, and how far the server's log is."""
    server.run("VACUUM", address.database)
    asked = "SELECT pg_database_size(current_database()) || ' ' || pg_wal_lsn_diff(pg_current_wal_insert_lsn(), '0/0')"
    size, log = server.run(asked, address.database).split()
    return int(size), int(log)


async def in_database(server: Server, releases: int, printers: int) -> tuple[int, int, float]:
    clock, address = SystemClock(), server.new_database()
    try:
        await (await PostgresJournal.open(address, clock, SystemEntropy())).close()
        size, log = size_of(server, address)
        took_s = await filled(await PostgresJournal.open(address, clock, SystemEntropy()), releases, printers)
        size_after, log_after = size_of(server, address)
    finally:
        server.drop(address)
    return size_after - size, log_after - log, took_s


async def in_file(folder: Path, releases: int, printers: int) -> int:
    path = folder / "journal.sqlite"
    await filled(await SqlJournal.open(path, SystemClock()), releases, printers)
    return path.stat().st_size


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--releases", type=int, default=5_000)
    parser.add_argument("--printers", type=int, default=10)
    parser.add_argument("--url", default=None, help="a server to use; default: one started for the run")
    given = parser.parse_args()
    releases = given.releases // given.printers * given.printers
    with running(given.url) as server, tempfile.TemporaryDirectory() as folder:
        size, log, took_s = asyncio.run(in_database(server, releases, given.printers))
        file_size = asyncio.run(in_file(Path(folder), releases, given.printers))
    return report(
        [
            Figure("PostgreSQL, bytes a release", size / releases, unit="B"),
            Figure("PostgreSQL, bytes of write-ahead log a release", log / releases, unit="B"),
            Figure("SQLite, bytes a release", file_size / releases, unit="B"),
            Figure("PostgreSQL, processor time of ours for 1,000 releases", took_s / releases * 1e6, unit="ms"),
            Figure("PostgreSQL, bytes a release", size / file_size, "SQLite"),
        ]
    )


if __name__ == "__main__":
    raise SystemExit(main())
