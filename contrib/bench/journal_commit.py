"""Durable commits of the journal against what its parts can do alone: ratios of one run, medians of its rounds.

    python contrib/bench/journal_commit.py [--rounds 5] [--seconds 1.0] [--history 50000] [--folder DIR]

The targets: a group commit at 64 producers stores at least 8 times as many facts a second as single-row commits
with synchronous=FULL through aiosqlite; a lone event is durable within 3 times the time of a bare sqlite3 commit; with
a scan beside it the median commit takes at most twice as long. All sides write the same rows into the same table with
the same indexes. The first ratio is of storing alone, facts being encoded beforehand on both sides; what an append
brings with its encoding is printed too. Absolute figures depend on the disk: choose --folder accordingly.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import shutil
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import aiosqlite
from figures import Figure, report

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.facts import Origin, ReleaseStarted
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.store.records.body_forms import packed_body
from pagereeve.store.records.checked_rows import digest_text, file_packed
from pagereeve.store.records.digest_forms import packed_digest
from pagereeve.store.records.fact_record import file
from pagereeve.store.records.kind_forms import short_kind
from pagereeve.store.records.requests import append_request
from pagereeve.store.sqlite.journal import SqlJournal

AT_US = 1_767_268_800_000_000
PRODUCERS = 64
PRINTERS = 50
# Encoded beforehand, so that a second of storing does not run out of facts.
SINGLE_MOST = 15_000
GROUP_MOST = 60_000
INSERT = (
    "INSERT INTO fact (printer, seq, kind, at_us, source, event_id, release, body, digest)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
PRAGMAS = ("PRAGMA journal_mode = WAL", "PRAGMA synchronous = FULL")
Row = tuple[str, int, str, int, str, str, str | None, str | bytes, str | bytes | None]


def facts(prefix: str) -> Iterator[ReleaseStarted]:
    """Release notices without end, ids in order, all content invented."""
    ticket = Ticket(pages=7, copies=1, sides="two-sided-long-edge", number_up=1, color_mode="monochrome")
    for number in itertools.count():
        at_us = AT_US + number * 1_000
        origin = Origin("urn:bench:server", f"{prefix}-{number:09d}", at_us, at_us + 900, at_us)
        yield ReleaseStarted(
            printer=f"printer-{number % PRINTERS}",
            origin=origin,
            release=f"{prefix}-{number}",
            job=f"job-{number}",
            owner=f"owner-{number % 997}",
            gateway="gateway-1",
            ticket=ticket,
        )


def rows(prefix: str) -> Iterator[Row]:
    """The same facts as rows, under numbers that no journal has given."""
    for number, fact in enumerate(facts(prefix)):
        filing = file(fact)
        source, event_id = fact.origin.source, fact.origin.id
        # In the form in which the journal stores them.
        body, digest = packed_body(filing.body), packed_digest(digest_text(filing))
        yield f"{prefix}", number, short_kind(filing.kind), filing.at_us, source, event_id, filing.release, body, digest


@dataclass(slots=True)
class Bench:
    folder: Path
    seconds: float
    history: int
    prefixes: Iterator[str] = field(default_factory=lambda: (f"p{number:04d}" for number in itertools.count()))
    _history: Path | None = None

    async def single_rows(self) -> float:
        """Rows a second, one a commit, through aiosqlite; they are encoded beforehand."""
        path = await self._copy()
        database = await aiosqlite.connect(path, isolation_level=None)
        for pragma in PRAGMAS:
            await database.execute_fetchall(pragma)
        ready = list(itertools.islice(rows(next(self.prefixes)), int(SINGLE_MOST * self.seconds)))
        began, number = time.perf_counter(), 0
        for row in ready:
            await database.execute("BEGIN IMMEDIATE")
            await database.execute(INSERT, row)
            await database.commit()
            number += 1
            if time.perf_counter() - began >= self.seconds:
                break
        rate = number / (time.perf_counter() - began)
        await database.close()
        return rate

    async def bare(self) -> float:
        """Median seconds of a commit of one row by sqlite3 alone, encoding left out."""
        path = await self._copy()
        times = []
        with closing(sqlite3.connect(path, isolation_level=None)) as database:
            for pragma in PRAGMAS:
                database.execute(pragma)
            ends = time.perf_counter() + self.seconds
            for row in rows(next(self.prefixes)):
                began = time.perf_counter()
                database.execute("BEGIN IMMEDIATE")
                database.execute(INSERT, row)
                database.execute("COMMIT")
                times.append(time.perf_counter() - began)
                if time.perf_counter() >= ends:
                    break
        return statistics.median(times)

    async def group(self, scan: Callable[[SqlJournal], Awaitable[object]] | None = None) -> tuple[float, float]:
        """(facts a second, median seconds of an append) of 64 producers, maybe with a scan again and again beside."""
        return await self._produced(PRODUCERS, scan)

    async def lone(self) -> float:
        """Median seconds until a lone event is durable, encoding and look-up included."""
        return (await self._produced(1, None))[1]

    async def group_alone(self) -> float:
        """Facts a second of 64 producers whose facts were encoded beforehand."""
        journal = await SqlJournal.open(await self._copy(), SystemClock())
        source = itertools.islice(facts(next(self.prefixes)), int(GROUP_MOST * self.seconds))
        ready = iter([append_request(fact, file_packed) for fact in source])
        began, number = time.perf_counter(), 0

        async def produce() -> None:
            nonlocal number
            for request in ready:
                if time.perf_counter() - began >= self.seconds:
                    return
                await journal._writer.submit(request)  # noqa: SLF001 - append without its encoding
                number += 1

        await asyncio.gather(*(produce() for _ in range(PRODUCERS)))
        rate = number / (time.perf_counter() - began)
        await journal.close()
        return rate

    async def _produced(
        self, producers: int, scan: Callable[[SqlJournal], Awaitable[object]] | None
    ) -> tuple[float, float]:
        journal = await SqlJournal.open(await self._copy(), SystemClock())
        source, times = facts(next(self.prefixes)), list[float]()
        began = time.perf_counter()
        ends = began + self.seconds

        async def produce() -> None:
            # Once at least: a machine that stands still for a moment leaves no median of nothing.
            for fact in source:
                asked = time.perf_counter()
                await journal.append(fact)
                done = time.perf_counter()
                times.append(done - asked)
                if done >= ends:
                    return

        async def scans() -> None:
            while scan is not None:
                await scan(journal)

        beside = asyncio.ensure_future(scans())
        await asyncio.gather(*(produce() for _ in range(producers)))
        rate = len(times) / (time.perf_counter() - began)
        beside.cancel()
        await asyncio.gather(beside, return_exceptions=True)
        await journal.close()
        return rate, statistics.median(times)

    async def _copy(self) -> Path:
        """A fresh journal with the same history for each measurement; one at a time is on the disk."""
        if self._history is None:
            self._history = await self._filled()
        path = self.folder / f"{next(self.prefixes)}.db"
        for old in self.folder.glob("p*.db*"):
            old.unlink()
        shutil.copyfile(self._history, path)
        return path

    async def _filled(self) -> Path:
        path = self.folder / "history.db"
        journal = await SqlJournal.open(path, SystemClock())
        source = facts("history")
        while await journal.count_facts() < self.history:
            await asyncio.gather(*(journal.append(fact) for fact in itertools.islice(source, 2_000)))
        await journal.close()
        return path


async def measure(bench: Bench, rounds: int) -> dict[str, list[float]]:
    figures: dict[str, list[float]] = {}

    def note(name: str, figure: float) -> None:
        figures.setdefault(name, []).append(figure)

    for number in range(rounds):
        note("single rows through aiosqlite, encoded before, 1/s", await bench.single_rows())
        note("64 producers, encoded before, 1/s", await bench.group_alone())
        rate, commit_s = await bench.group()
        note("64 producers with encoding, 1/s", rate)
        note("64 producers, median append, ms", commit_s * 1e3)
        _, scanned_s = await bench.group(lambda journal: journal.count_facts())
        note("64 producers beside a scan, median append, ms", scanned_s * 1e3)
        note("bare sqlite3 commit, ms", await bench.bare() * 1e3)
        note("lone event, ms", await bench.lone() * 1e3)
        print(f"round {number + 1} of {rounds} done", flush=True)
    return figures


TARGETS = (
    (
        "group commit against single rows",
        "64 producers, encoded before, 1/s",
        "single rows through aiosqlite, encoded before, 1/s",
        8.0,
    ),
    ("lone event against a bare commit", "lone event, ms", "bare sqlite3 commit, ms", -3.0),
    (
        "append beside a scan against without",
        "64 producers beside a scan, median append, ms",
        "64 producers, median append, ms",
        -2.0,
    ),
)
"""(what, figure, against, at least this ratio; below zero: at most its amount)"""


def ratios(figures: Mapping[str, Sequence[float]]) -> Iterator[tuple[str, float, float]]:
    """(what, its ratio, the limit as TARGETS has it): the median of the rounds' ratios."""
    for what, name, against, limit in TARGETS:
        yield what, statistics.median(a / b for a, b in zip(figures[name], figures[against], strict=True)), limit


def kept(ratio: float, limit: float, slack: float = 1.0) -> bool:
    """Is the target met, or missed by ``slack`` at most?"""
    return ratio >= limit / slack if limit > 0 else ratio <= -limit * slack


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=1.0)
    parser.add_argument("--history", type=int, default=50_000)
    parser.add_argument("--folder", type=Path, default=None, help="on the disk to be measured; default: temporary")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        figures = asyncio.run(measure(Bench(Path(folder), options.seconds, options.history), options.rounds))
    for name, values in figures.items():
        print(f"{name:52} {statistics.median(values):10.3f}")
    return report(
        [
            Figure(what, ratio, at_least=limit if limit > 0 else None, at_most=-limit if limit < 0 else None)
            for what, ratio, limit in ratios(figures)
        ]
    )


if __name__ == "__main__":
    raise SystemExit(main())
