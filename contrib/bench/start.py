"""How long does the daemon take to start, and what does it do after it has said that it is ready?

    python contrib/bench/start.py [--new 2000 5000] [--printers 200] [--releases 100000] [--journal FOLDER]

Each start is a process of its own. *Ready* is when notices are accepted; *read* is when every printer's rows were read
and projected; CPU is the process's own. With --new printers that no journal knows; with --releases the daemon starts
on a journal of so many (which takes a while to make: 10^5 some ten minutes), or on a copy of the journal in FOLDER.
Meters are not read meanwhile: what first reads cost is told by notice_to_read.py.
Targets: 2,000 new printers ready and read within 5 s, a journal of 10^5 releases at 200 printers within 3 s.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import shutil
import sqlite3
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final

from figures import Figure, report

from pagereeve.app.daemon import App
from pagereeve.app.running import loop_factory
from pagereeve.settings import HostPort, HttpSettings, PrinterSettings, Settings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.telemetry.logs import set_up_logs

NEW_MAX_S, HISTORY_MAX_S = 5.0, 3.0
READ_WITHIN_S: Final = 600.0
UNREAD_S: Final = 3_600.0
"""First reads of meters are spread over so long: none falls into the measurement but a few."""


@dataclass(frozen=True)
class Started:
    """Seconds from the beginning, and of the process's CPU: until ready, until all rows were read."""

    ready_s: float
    read_s: float
    ready_cpu_s: float
    read_cpu_s: float


def host_of(nth: int) -> str:
    """Nobody listens there, and no two printers share one."""
    return f"127.{1 + nth // 2**16}.{nth // 2**8 % 2**8}.{nth % 2**8}"


async def start(folder: Path, names: Sequence[str]) -> Started:
    printers = tuple(PrinterSettings(name=name, host=host_of(nth), port=9) for nth, name in enumerate(names))
    http = HttpSettings(listen=HostPort("127.0.0.1", 0))
    settings = Settings(data_dir=folder, http=http, printers=printers)
    began_s, cpu_s = time.monotonic(), time.process_time()
    async with App(settings, first_reads_spread_s=UNREAD_S) as app:
        ready_s, ready_cpu_s = time.monotonic() - began_s, time.process_time() - cpu_s
        watchers = app.registry.watchers
        while any(watcher.projector is None or watcher.updater.dirty for watcher in watchers.values()):
            if time.monotonic() - began_s > READ_WITHIN_S:
                raise SystemExit(f"not all of {len(watchers)} printers were read within {READ_WITHIN_S:g} s")
            await asyncio.sleep(0.02)
        return Started(ready_s, time.monotonic() - began_s, ready_cpu_s, time.process_time() - cpu_s)


def run_start(pipe: Connection, folder: Path, names: Sequence[str]) -> None:
    set_up_logs("auto", "error", sys.stderr)
    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        pipe.send(runner.run(start(folder, names)))


def started(folder: Path, names: Sequence[str]) -> Started:
    mine, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=run_start, args=(theirs, folder, names))
    process.start()
    theirs.close()
    try:
        found: Started = mine.recv()
    finally:
        process.join()
    return found


def figures_of(what: str, came: Started, at_most_s: float | None) -> list[Figure]:
    return [
        Figure(f"{what}: until ready", came.ready_s, unit="s"),
        Figure(f"{what}: until all rows were read", came.read_s, unit="s", at_most=at_most_s),
        Figure(f"{what}: CPU until ready", came.ready_cpu_s, unit="s"),
        Figure(f"{what}: CPU after ready", came.read_cpu_s - came.ready_cpu_s, unit="s"),
    ]


def of_new(count: int) -> list[Figure]:
    with tempfile.TemporaryDirectory() as folder:
        came = started(Path(folder), [f"new-{nth:05d}" for nth in range(count)])
    return figures_of(f"{count} new printers", came, NEW_MAX_S if count <= 2_000 else None)


def of_journal(folder: Path, *, target: bool) -> list[Figure]:
    """Of a copy, which the start may change: once as it was made, without a badge key and with no badge read, and once
    more, as a daemon starts that ran before.
    """
    with tempfile.TemporaryDirectory() as copy:
        shutil.copy(folder / JOURNAL_NAME, Path(copy, JOURNAL_NAME))
        for beside in folder.glob("journal.newest"):
            shutil.copy(beside, Path(copy, beside.name))
        with closing(sqlite3.connect(Path(copy, JOURNAL_NAME))) as journal:
            names = [name for (name,) in journal.execute("SELECT DISTINCT printer FROM fact WHERE printer <> ''")]
            (releases,) = journal.execute("SELECT count(*) FROM fact WHERE kind = 's'").fetchone()
        first, again = started(Path(copy), names), started(Path(copy), names)
    what = f"{len(names)} printers, {releases} releases"
    return [
        *figures_of(f"{what}, the first start", first, None),
        *figures_of(what, again, HISTORY_MAX_S if target else None),
    ]


def of_releases(printers: int, releases: int) -> list[Figure]:
    # The college's year is a drill's, and made by its modules.
    sys.path.insert(0, str(Path(__file__).parents[1] / "drill"))
    import questions  # noqa: PLC0415 - it is slow to load, and only for this

    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(questions.make(Path(folder), questions.size_of(printers, releases)))
        return of_journal(Path(folder), target=releases <= 100_000 and printers <= 200)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--new", type=int, nargs="*", default=[2_000, 5_000])
    parser.add_argument("--printers", type=int, default=200)
    parser.add_argument("--releases", type=int, nargs="*", default=[100_000])
    parser.add_argument("--journal", type=Path)
    args = parser.parse_args()
    figures = [figure for count in args.new for figure in of_new(count)]
    if args.journal is not None:
        figures += of_journal(args.journal, target=False)
    for releases in args.releases:
        figures += of_releases(args.printers, releases)
    return report(figures)


if __name__ == "__main__":
    raise SystemExit(main())
