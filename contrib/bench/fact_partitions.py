"""Facts in one table of PostgreSQL beside facts parted by time, for what the program does with them.

    python contrib/bench/fact_partitions.py [--facts 2000000] [--printers 1000] [--parts 8] [--rounds 5] [--url URL]

Invented facts of two years, a third with an identity, under the indexes of the journal's own table. A unique key of a
parted table must hold the parting column (postgresql.org/docs/15/ddl-partitioning.html), so that the parted facts have
two tables beside them which keep numbers and identities unique over all time. By turns, the medians of the rounds;
processor time is that of the server's session. At the end the readings of the first half leave both.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import statistics
import sys
from collections import defaultdict
from collections.abc import Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from figures import Figure, report

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.connecting import Limits, connected
from pagereeve.store.postgres.journal import PostgresJournal

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.integration.postgres_server import running

DAY_US: Final = 86_400_000_000
SPAN_US: Final = 730 * DAY_US
SOURCE: Final = "/invented/release-server"
TABLES: Final = ("one", "parted")
GROUP: Final = 64
DELETED_AT_ONCE: Final = 500
MIB: Final = 2**20
COLUMNS: Final = "printer, seq, kind, at_us, source, event_id, release, body, digest, shift_us, origin"
_FILL: Final = """
    INSERT INTO {table} ({columns}) SELECT 'printer-' || lpad(p::text, 5, '0'), s,
    CASE s % 6 WHEN 1 THEN 'pagereeve.release.started.v1' WHEN 2 THEN 'pagereeve.release.ended.v1' ELSE 'reading' END,
    s::bigint * {step} + p, CASE WHEN s % 6 IN (1, 2) THEN '{source}' END,
    CASE WHEN s % 6 IN (1, 2) THEN md5(p || '-' || s) END,
    CASE WHEN s % 6 IN (1, 2) THEN 'r-' || p || '-' || s / 6 END,
    '{{"fact":"reading","v":"' || repeat('x', 260) || s || '"}}', md5(s::text) || md5(p::text), 0, 0
    FROM generate_series(1, {each}) AS s, generate_series(1, {printers}) AS p ORDER BY s, p
"""


@dataclass
class Bench:
    connection: Any
    printers: int
    each: int
    parts: int
    rng: random.Random = field(default_factory=lambda: random.Random(1))
    pid: int = 0
    found: dict[tuple[str, str], list[float]] = field(default_factory=lambda: defaultdict(list))

    async def run(self, *statements: str) -> None:
        for one in statements:
            await self.connection.execute(one)

    def cpu_s(self) -> float:
        words = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")

    async def log_bytes(self) -> int:
        return int(await self.connection.fetchval("SELECT pg_wal_lsn_diff(pg_current_wal_insert_lsn(), '0/0')"))

    async def size(self, table: str) -> int:
        names = "'one'" if table == "one" else "'numbers', 'identities'"
        asked = f"relkind = 'r' AND (relname IN ({names}) OR relname LIKE '{table}\\_%')"
        return int(
            await self.connection.fetchval(f"SELECT sum(pg_total_relation_size(oid)) FROM pg_class WHERE {asked}")
        )

    @asynccontextmanager
    async def noted(self, what: str, table: str) -> Any:
        cpu_s, log = self.cpu_s(), await self.log_bytes()
        yield
        self.found[f"{what}, processor time", table].append(self.cpu_s() - cpu_s)
        if (written := await self.log_bytes() - log) > MIB:
            self.found[f"{what}, write-ahead log", table].append(written / MIB)

    def printer(self) -> str:
        return f"printer-{self.rng.randint(1, self.printers):05d}"

    async def made(self) -> None:
        self.pid = await self.connection.fetchval("SELECT pg_backend_pid()")
        await self.run("SET synchronous_commit = off", "CREATE TABLE one (LIKE fact INCLUDING DEFAULTS)")
        await self.run("CREATE TABLE parted (LIKE fact INCLUDING DEFAULTS) PARTITION BY RANGE (at_us)")
        step = SPAN_US // self.parts
        for nth in range(self.parts + 1):
            upto = (nth + 1) * step if nth < self.parts else 2**62
            await self.run(f"CREATE TABLE parted_{nth} PARTITION OF parted FOR VALUES FROM ({nth * step}) TO ({upto})")
        shape = {"columns": COLUMNS, "each": self.each, "printers": self.printers, "source": SOURCE}
        for table in TABLES:
            await self.run(_FILL.format(table=table, step=SPAN_US // self.each, **shape))
        await self.run(
            "CREATE TABLE numbers AS SELECT printer, seq FROM one",
            "CREATE UNIQUE INDEX ON numbers (printer, seq)",
            "CREATE TABLE identities AS SELECT event_id, source, origin FROM one WHERE event_id IS NOT NULL",
            "CREATE UNIQUE INDEX ON identities (event_id, source, origin)",
        )
        for row in await self.connection.fetch("SELECT indexname, indexdef FROM pg_indexes WHERE tablename = 'fact'"):
            for table in TABLES:
                await self.run(_index(row["indexname"], row["indexdef"], table))
        await self.run("VACUUM ANALYZE", "CHECKPOINT")

    async def append(self, table: str, first: int, groups: int) -> None:
        for nth in range(groups):
            rows = [self.fact(first + nth * GROUP + place) for place in range(GROUP)]
            async with self.connection.transaction():
                if table == "parted":
                    await self.copy("numbers", [one[:2] for one in rows], ["printer", "seq"])
                    keys = [(one[5], one[4], 0) for one in rows if one[5] is not None]
                    await self.copy("identities", keys, ["event_id", "source", "origin"])
                await self.copy(table, rows, COLUMNS.split(", "))

    async def copy(self, table: str, rows: list[tuple[Any, ...]], columns: list[str]) -> None:
        await self.connection.copy_records_to_table(table, records=rows, columns=columns)

    def fact(self, nth: int) -> tuple[Any, ...]:
        printer, seq, event = (
            f"printer-{nth % self.printers + 1:05d}",
            self.each + 1 + nth // self.printers,
            nth % 3 == 0,
        )
        who = (SOURCE, f"new-{nth}", f"r-new-{nth}") if event else (None, None, None)
        kind = "pagereeve.release.started.v1" if event else "reading"
        return (printer, seq, kind, SPAN_US + nth, *who, "y" * 280, "d" * 64, 0, 0)

    async def asked(self, times: int, statement: str, values: Callable[[], tuple[Any, ...]]) -> None:
        for _ in range(times):
            await self.connection.fetch(statement, *values())

    async def turn(self, table: str, first: int, groups: int, times: int) -> None:
        at = f"FROM {table} WHERE printer = $1"
        keys = "identities" if table == "parted" else table
        async with self.noted("append", table):
            await self.append(table, first, groups)
        recent = f"at_us >= {SPAN_US - 30 * DAY_US}"
        for what, share, statement, values in (
            ("the last 30 days", 10, f"SELECT * {at} AND {recent} ORDER BY seq LIMIT 500", self.one),
            ("the first 500", 10, f"SELECT * {at} ORDER BY seq LIMIT 500", self.one),
            ("the latest number", 1, f"SELECT seq {at} ORDER BY seq DESC LIMIT 1", self.one),
            ("the latest reading", 1, f"SELECT body {at} AND kind = 'reading' ORDER BY at_us DESC LIMIT 1", self.one),
            ("an identity", 1, f"SELECT 1 FROM {keys} WHERE event_id = $1 AND source = '{SOURCE}'", self.unknown),
            ("a release", 1, f"SELECT body FROM {table} WHERE release = $1 ORDER BY at_us", self.release),
        ):
            async with self.noted(what, table):
                await self.asked(times // share, statement, values)

    def one(self) -> tuple[str]:
        return (self.printer(),)

    def unknown(self) -> tuple[str]:
        return (f"unknown-{self.rng.random()}",)

    def release(self) -> tuple[str]:
        return (f"r-{self.rng.randint(1, self.printers)}-{self.rng.randrange(self.each // 6)}",)

    async def leave(self, table: str, work: Callable[[], Awaitable[None]], what: str) -> str:
        async with self.noted(what, table):
            await work()
        return f"{what}: {await self.size(table) / MIB:,.0f} MiB afterwards"

    async def delete(self) -> None:
        for nth in range(1, self.printers + 1):
            name = f"printer-{nth:05d}"
            going = (
                f"SELECT seq FROM one WHERE printer = $1 AND at_us < {SPAN_US // 2} AND kind = 'reading' ORDER BY seq"
            )
            numbers = [row[0] for row in await self.connection.fetch(going, name)]
            for start in range(0, len(numbers), DELETED_AT_ONCE):
                some = numbers[start : start + DELETED_AT_ONCE]
                await self.connection.execute(
                    "DELETE FROM one WHERE printer = $1 AND seq = ANY($2::bigint[])", name, some
                )

    async def drop(self) -> None:
        half = SPAN_US // 2
        await self.run(f"CREATE TABLE kept AS SELECT * FROM parted WHERE at_us < {half} AND kind <> 'reading'")
        await self.run(*(f"DROP TABLE parted_{nth}" for nth in range(self.parts // 2)))
        await self.run(f"CREATE TABLE parted_old PARTITION OF parted FOR VALUES FROM (0) TO ({half})")
        await self.run("INSERT INTO parted SELECT * FROM kept", "DROP TABLE kept")


def _index(name: str, told: str, table: str) -> str:
    """The journal's own, of another table; a unique one of the parted facts holds the parting column."""
    made = told.replace(f"INDEX {name} ON public.fact", f"INDEX {name}_{table} ON {table}")
    if table == "parted" and "UNIQUE" in told:
        columns, end, where = made.partition(")")
        return f"{columns}, at_us{end}{where}"
    return made


async def measured(address: Address, given: argparse.Namespace) -> tuple[Bench, list[str]]:
    await (await PostgresJournal.open(address, SystemClock(), SystemEntropy())).close()
    connection = await connected(address, Limits(statement_ms=3_600_000))
    try:
        bench = Bench(connection, given.printers, given.facts // given.printers, given.parts)
        await bench.made()
        said = [f"{table}: {await bench.size(table) / MIB:,.0f} MiB with all indexes" for table in TABLES]
        for nth in range(given.rounds):
            for table in TABLES[:: 1 if nth % 2 else -1]:
                await bench.turn(table, nth * given.groups * GROUP, given.groups, given.times)
        await bench.run("CHECKPOINT")
        said.append(await bench.leave("one", bench.delete, "readings of the first half deleted"))
        said.append(await bench.leave("one", lambda: bench.run("VACUUM one"), "vacuumed"))
        said.append(await bench.leave("parted", bench.drop, "parts dropped, and stored again what stays"))
        said.append(await bench.leave("one", lambda: bench.run("VACUUM FULL one"), "written anew"))
    finally:
        await connection.close()
    return bench, said


def figures(bench: Bench) -> Iterator[Figure]:
    for (what, table), values in bench.found.items():
        middle = statistics.median(values)
        beside = bench.found.get((what, "one"))
        if table == "parted" and beside and statistics.median(beside):
            yield Figure(f"{what}, parted", middle / statistics.median(beside), "one table")
        elif table == "parted" or (what, "parted") not in bench.found:
            log = what.endswith("log")
            yield Figure(what, middle if log else middle * 1e3, unit="MiB" if log else "ms")


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--facts", type=int, default=2_000_000)
    parser.add_argument("--printers", type=int, default=1_000)
    parser.add_argument("--parts", type=int, default=8)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--groups", type=int, default=400, help="of 64 facts, appended in each turn")
    parser.add_argument("--times", type=int, default=4_000, help="of each question in each turn")
    parser.add_argument("--url", default=None, help="a server to use; default: one started for the run")
    given = parser.parse_args()
    with running(given.url) as server:
        address = server.new_database()
        try:
            bench, said = asyncio.run(measured(address, given))
        finally:
            server.drop(address)
    for line in said:
        print(line)
    return report(list(figures(bench)))


if __name__ == "__main__":
    raise SystemExit(main())
