"""The cost of an export: releases one by one into each format, and what that takes of memory.

    python contrib/bench/exports.py [--releases 100000] [--wide 10]

Ratios of one run: the time of each format against CSV, and the peak of memory (allocated by Python, tracemalloc) of
--releases against a --wide part of them; it must not grow with the rows.
"""

from __future__ import annotations

import argparse
import asyncio
import tempfile
import time
import tracemalloc
from pathlib import Path
from zoneinfo import ZoneInfo

from figures import Figure, report
from period_totals import BEGIN_US, DAY_US, fill

from pagereeve.app.clocks import SystemClock
from pagereeve.cli.export_files import Wanted, write_export
from pagereeve.cli.site import Site
from pagereeve.domain.accounts.export_rows import ExportBy
from pagereeve.domain.accounts.periods import Period
from pagereeve.reports.exports.csv_file import CsvForm
from pagereeve.reports.exports.making import FileFormat
from pagereeve.store.sqlite.journal import SqlJournal

UTC = ZoneInfo("UTC")
YEAR = Period("year", UTC, BEGIN_US, BEGIN_US + 366 * DAY_US)
FORMATS: tuple[FileFormat, ...] = ("csv", "json", "xlsx", "parquet")


async def export(
    journal: SqlJournal, folder: Path, form: FileFormat, by: ExportBy = "release", period: Period = YEAR
) -> Path:
    out = folder / f"rows.{form}"
    export = await write_export(journal, Wanted(period, by, form, CsvForm(), out), Site(UTC, "option"))
    if export.adding.differences:
        raise SystemExit(f"the rows do not add up: {export.adding.differences}")
    return out


async def peak_bytes(folder: Path, releases: int, form: FileFormat) -> int:
    """Of an export by release from a journal of so many."""
    journal = await SqlJournal.open(folder / f"{releases}.sqlite", SystemClock())
    try:
        await fill(journal, releases)
        # What is imported and compiled once is no cost of the rows.
        await export(journal, folder, form, period=Period("day", UTC, BEGIN_US, BEGIN_US + DAY_US))
        tracemalloc.start()
        try:
            await export(journal, folder, form)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
    finally:
        await journal.close()


async def measure(releases: int, wide: int) -> list[Figure]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        journal = await SqlJournal.open(folder / "journal.sqlite", SystemClock())
        try:
            stored = await fill(journal, releases)
            print(f"{stored} releases of a year")
            first_s = 0.0
            for form in FORMATS:
                began = time.perf_counter()
                out = await export(journal, folder, form)
                took_s = time.perf_counter() - began
                first_s = first_s or took_s
                size = out.stat().st_size / 2**20
                print(f"{form}: {took_s:.1f} s, {took_s / first_s:.2f} x CSV, {size:.1f} MiB")
        finally:
            await journal.close()
        figures = []
        for form in FORMATS:
            few, many = await peak_bytes(folder, releases // wide, form), await peak_bytes(folder, releases, form)
            print(f"{form}: peak {few / 2**20:.1f} MiB, of {wide} x the rows {many / 2**20:.1f} MiB")
            figures.append(Figure(f"peak of memory of {wide} x the rows, {form}", many / few, "the rows"))
    return figures


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--releases", type=int, default=100_000)
    parser.add_argument("--wide", type=int, default=10)
    given = parser.parse_args()
    return report(asyncio.run(measure(given.releases, given.wide)))


if __name__ == "__main__":
    raise SystemExit(main())
