"""A year of an invented college, closed month by month: what a close costs, and whether what is closed stays.

    python contrib/drill/college_year.py                                     # 200 printers, 1,000,000 releases
    python contrib/drill/college_year.py --printers 20 --releases 50000      # a small college

Each month's facts (year_facts.py) are stored and projected as the daemon does it, in big groups, and the month is then
closed by ``pagereeve close`` in a process of its own: its time, its peak of memory, the journal's size and that of what
was frozen are shown. Then so many notices come late. Exit status 1 if the cost of a close grows over the year by
more than a factor, if persons and house accounts of a month are not its meters, if the months are not what the paper
says that the meters moved, if the rows are not what a replay makes, or if a closed month's export differs in a byte.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import csv
import hashlib
import io
import json
import multiprocessing
import resource
import sqlite3
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import asynccontextmanager, closing
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import mean

from year_facts import PrinterYear, Size, fleet, late_facts, people_facts

from pagereeve.app.clocks import SystemClock
from pagereeve.cli import status_of
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.facts.facts import Fact, ReleaseEnded, ReleaseStarted, instant_us
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.projector import REBUILD_CHUNK, PrinterProjector, apply_update, rebuild
from pagereeve.queries.replay import replayed_printer
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal

FACTS_AT_ONCE = 2_000
PRINTERS_AT_ONCE = 20
LATE_FACTS = 1_000
GROWTH_MAX = 1.5
BUSY_SHARE = 0.5
"""Months with at least this share of the busiest one's releases are compared: a holiday's close is nearly all start."""
BYS = ("person", "cost-centre", "printer", "day", "release")
SETTINGS = 'data_dir = "."\n[site]\nzone = "Europe/Berlin"\n'


@dataclass(frozen=True, slots=True)
class Closed:
    """What the close of one month took. ``peak_bytes`` is of its process, Python and all."""

    month: str
    releases: int
    rows: int
    cpu_s: float
    wall_s: float
    peak_bytes: int
    journal_bytes: int = 0
    frozen_bytes: int = 0

    @property
    def cpu_ms_per_thousand(self) -> float:
        return 1_000 * self.cpu_s / max(1, self.releases) * 1_000


@asynccontextmanager
async def opened(folder: Path) -> AsyncIterator[SqlJournal]:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        yield journal
    finally:
        await journal.close()


def said(asked: Sequence[str]) -> tuple[int, str]:
    """A command's exit status, and what it writes."""
    out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    with contextlib.redirect_stdout(out):
        status = status_of(asked)
        out.seek(0)
        return status, out.read()


async def append(journal: SqlJournal, facts: Sequence[Fact]) -> None:
    for first in range(0, len(facts), FACTS_AT_ONCE):
        await journal.append_together(facts[first : first + FACTS_AT_ONCE])


def in_place(facts: Iterable[Fact]) -> list[tuple[int, Fact]]:
    """Each with the instant that it is projected by: an end goes with its start, as domain's rebuild has it."""
    known = list(facts)
    starts = {one.release: one.origin.at_us for one in known if isinstance(one, ReleaseStarted)}
    placed = [(starts[fact.release] if isinstance(fact, ReleaseEnded) else instant_us(fact), fact) for fact in known]
    return sorted(placed, key=lambda one: one[0])


def project(projector: PrinterProjector, facts: Sequence[Fact], year: PrinterYear, month: Period) -> list[RowSegment]:
    """The segments that take the place of the printer's from ``projector.anchor_us`` on, as that was before."""
    segments: dict[int, RowSegment] = {}

    def advance(before_us: int) -> None:
        update = projector.advance(before_us)
        if update is not None:
            apply_update(segments, update)

    projector.open_run(None)
    for nth, (place_us, fact) in enumerate(in_place(facts)):
        if nth and nth % REBUILD_CHUNK == 0:
            advance(place_us)
        projector.add(fact)
    projector.open_run(year.current)
    advance(month.to_us)
    return [segments[anchor_us] for anchor_us in sorted(segments)]


async def store_month(
    folder: Path, years: Sequence[PrinterYear], projectors: dict[str, PrinterProjector], month: Period
) -> int:
    """How many releases it has."""
    before = sum(year.releases for year in years)
    async with opened(folder) as journal:
        for first in range(0, len(years), PRINTERS_AT_ONCE):
            some = years[first : first + PRINTERS_AT_ONCE]
            facts = [year.month(month) for year in some]
            # The writer commits together what waits together.
            await asyncio.gather(*(append(journal, mine) for mine in facts))
            await asyncio.gather(*(journal.observe(one.name, [], one.current) for one in some if one.current))
            for year, mine in zip(some, facts, strict=True):
                projector = projectors.setdefault(year.name, PrinterProjector(year.name, Rules()))
                anchor_us = projector.anchor_us
                await journal.replace(year.name, anchor_us, project(projector, mine, year, month))
    return sum(year.releases for year in years) - before


async def store_people(folder: Path, size: Size) -> None:
    async with opened(folder) as journal:
        await append(journal, list(people_facts(size)))


async def store_late(folder: Path, years: Sequence[PrinterYear], late: dict[str, list[Fact]]) -> None:
    """As the daemon would have it in the end: the printer's rows are those of all its facts."""
    current = {year.name: year.current for year in years}
    async with opened(folder) as journal:
        for printer, facts in late.items():
            await append(journal, facts)
            known = [stored.fact async for stored in journal.facts(printer)]
            await journal.replace(printer, None, rebuild(printer, known, current[printer]))


async def differing(folder: Path, printer: str) -> Sequence[str]:
    async with opened(folder) as journal:
        return (await replayed_printer(journal, printer)).differing


def close_month(folder: str, month: str, releases: int) -> Closed:
    """In a process of its own, which does nothing else."""
    began = time.perf_counter()
    asked = ["close", month, "--despite", "a drill", "--json", "--config", f"{folder}/pagereeve.toml"]
    status, text = said(asked)
    if status:
        raise SystemExit(f"{month} was not closed: status {status}")
    used = resource.getrusage(resource.RUSAGE_SELF)
    # What the process took to begin is a few milliseconds: it is forked from one that has all modules.
    cpu_s, wall_s = used.ru_utime + used.ru_stime, time.perf_counter() - began
    rows = int(json.loads(text)["rows"])
    return Closed(month, releases, rows, cpu_s, wall_s, used.ru_maxrss * 1024)


def closers() -> ProcessPoolExecutor:
    """A process for each close."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["pagereeve.cli.close", "pagereeve.app.closing", "cyclopts"])
    return ProcessPoolExecutor(1, mp_context=context, max_tasks_per_child=1)


def sizes(folder: Path, month: str) -> tuple[int, int]:
    """Bytes of the journal's files, and of what was frozen of the month."""
    journal = sum(path.stat().st_size for path in folder.glob(f"{JOURNAL_NAME}*"))
    with closing(sqlite3.connect(folder / JOURNAL_NAME)) as connection:
        asked = "SELECT sum(length(body)) FROM closed_part WHERE period = ?"
        return journal, int(connection.execute(asked, [month]).fetchone()[0] or 0)


def export(folder: Path, month: str, by: str, out: Path) -> bool:
    """Whether persons and house accounts are the meters."""
    asked = ["totals", "--config", str(folder / "pagereeve.toml"), "--period", month, "--by", by, "--output", str(out)]
    with contextlib.redirect_stderr(io.StringIO()):
        return status_of(asked) == 0


def meters_of(path: Path) -> dict[str, int]:
    """What an export says that the meters counted, by channel."""
    with path.open(encoding="utf-8", newline="") as file:
        totals = [row for row in csv.DictReader(file) if row["kind"] == "total"]
    return {row["channel"]: int(row["pages"]) for row in totals}


def digests(folder: Path, months: Sequence[str], out: Path) -> dict[str, str]:
    """SHA-256 of each export of these months, and of its sidecar."""
    out.mkdir()
    for month in months:
        for by in BYS:
            export(folder, month, by, out / f"{month}-{by}.csv")
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(out.iterdir())}


def cost_of(one: Closed) -> float:
    return one.cpu_ms_per_thousand


def memory_of(one: Closed) -> float:
    return one.peak_bytes


def growth(closed: Sequence[Closed], figure: Callable[[Closed], float]) -> float:
    """Of the last busy months against the first ones, a third of them each."""
    most = max(one.releases for one in closed)
    busy = [figure(one) for one in closed if one.releases >= BUSY_SHARE * most]
    third = max(1, len(busy) // 3)
    return mean(busy[-third:]) / mean(busy[:third])


def table(closed: Sequence[Closed]) -> str:
    lines = ["month    releases     rows   CPU s  wall s  CPU ms/1,000  peak MiB  journal MiB  frozen MiB"]
    lines += [
        f"{one.month}  {one.releases:8,}  {one.rows:7,}  {one.cpu_s:6.2f}  {one.wall_s:6.2f}  "
        f"{one.cpu_ms_per_thousand:12.1f}  {one.peak_bytes / 2**20:8.0f}  {one.journal_bytes / 2**20:11.0f}  "
        f"{one.frozen_bytes / 2**20:10.2f}"
        for one in closed
    ]
    return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class Outcome:
    closed: Sequence[Closed]
    troubles: Sequence[str]
    late_changes: int

    def failures(self, growth_max: float) -> list[str]:
        cost, peak = growth(self.closed, cost_of), growth(self.closed, memory_of)
        found = list(self.troubles)
        if cost > growth_max:
            found.append(f"a month's close costs {cost:.2f} x as much for each release at the year's end")
        if peak > growth_max:
            found.append(f"a month's close takes {peak:.2f} x as much memory at the year's end")
        if not self.late_changes:
            found.append("late facts changed nothing, so the drill shows nothing")
        return found


def live_through(size: Size, folder: Path) -> Outcome:
    """The year, in ``folder``: the journal, its settings, and exports stay there."""
    (folder / "pagereeve.toml").write_text(SETTINGS, encoding="utf-8")
    asyncio.run(store_people(folder, size))
    years, projectors = fleet(size), dict[str, PrinterProjector]()
    closed: list[Closed] = []
    troubles: list[str] = []
    counted = {"total": 0, "colour": 0}
    with closers() as pool:
        for month in size.months():
            releases = asyncio.run(store_month(folder, years, projectors, month))
            one = pool.submit(close_month, str(folder), month.name, releases).result()
            journal, frozen = sizes(folder, month.name)
            closed.append(replace(one, journal_bytes=journal, frozen_bytes=frozen))
            print(table(closed).splitlines()[-1], file=sys.stderr)
            out = folder / f"{month.name}.csv"
            if not export(folder, month.name, "printer", out):
                troubles.append(f"{month.name}: persons and house accounts are not the meters")
            for channel, pages in meters_of(out).items():
                counted[channel] += pages
    paper = {"total": sum(one.paper for one in years), "colour": sum(one.colour_paper for one in years)}
    if counted != paper:
        troubles.append(f"the months' meters are {counted}, the paper says {paper}")
    troubles += asyncio.run(differing(folder, years[0].name))
    changes, more = come_late(folder, years)
    return Outcome(closed, [*troubles, *more], changes)


def come_late(folder: Path, years: list[PrinterYear]) -> tuple[int, list[str]]:
    """How many accounts of January differ now from what was closed, and what of the closed exports differs."""
    months = [one.name for one in years[0].size.months()]
    some = [months[0], months[-1]]
    before = digests(folder, some, folder / "before")
    asyncio.run(store_late(folder, years, late_facts(years, LATE_FACTS)))
    after = digests(folder, some, folder / "after")
    differs = [f"{name} is not what it was" for name in before if before[name] != after[name]]
    _, text = said(["changed", "--config", str(folder / "pagereeve.toml"), "--since", months[0], "--json"])
    return len(json.loads(text)), differs


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=200)
    parser.add_argument("--releases", type=int, default=1_000_000)
    parser.add_argument("--persons", type=int, default=4_000)
    parser.add_argument("--growth-max", type=float, default=GROWTH_MAX)
    parser.add_argument("--folder", type=Path, default=None, help="Where temporary files go (10 KiB for each release).")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        outcome = live_through(Size(given.printers, given.releases, given.persons), Path(folder))
    print(table(outcome.closed))
    cost, peak = growth(outcome.closed, cost_of), growth(outcome.closed, memory_of)
    print(f"last busy months against the first: CPU for each release {cost:.2f} x, peak of memory {peak:.2f} x")
    print(f"{outcome.late_changes} accounts of January differ since the late notices; its exports must not")
    failures = outcome.failures(given.growth_max)
    for failure in failures:
        print(f"FAILED: {failure}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
