"""The cost of a period's totals: added up by the database, against the same rows read one by one.

    python contrib/bench/period_totals.py [--charges 200000] [--rounds 3]

Two ratios of one run, best of the rounds: how much faster persons' totals of a year are by GROUP BY than by a walk
through all charges (both must come to the same lines), and how much a printer's accounts of one day cost in that
year, compared with those of the year (edges are found through indexes, so a day costs a small part of it).
"""

from __future__ import annotations

import argparse
import asyncio
import tempfile
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from zoneinfo import ZoneInfo

from figures import Figure, report

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.totals import Totals
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Charge, Grade, Posting, ReleaseKey, RowSegment, Stretch, Verdict
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.totals import totals_of
from pagereeve.store.sqlite.journal import SqlJournal

BEGIN_US = 1_700_000_000 * SECOND_US
DAY_US = 86_400 * SECOND_US
PRINTERS = 20
PER_SEGMENT = 20


def segment(printer: str, first: int, every_us: int) -> RowSegment:
    charges, stretches, postings = [], [], []
    for nth in range(first, first + PER_SEGMENT):
        at_us = BEGIN_US + nth * every_us
        key, owner, closes_us = ReleaseKey("/bench", f"{printer}-{nth}"), f"owner-{nth % 997}", at_us + 30 * SECOND_US
        total = 4 * nth
        charges.append(
            Charge(
                printer,
                key,
                owner,
                "job",
                "total",
                Unit.IMPRESSIONS,
                at_us,
                at_us + 1,
                closes_us,
                4,
                4,
                4,
                0,
                None,
                Grade.TIGHT,
                Verdict.AGREES,
            )
        )
        stretches.append(
            Stretch(
                printer,
                1,
                "total",
                Unit.IMPRESSIONS,
                at_us,
                closes_us,
                total,
                total + 4,
                4,
                (key,),
                Grade.TIGHT,
                Verdict.AGREES,
            )
        )
        legs = ((f"meter:{printer}", -4), (f"person:{owner}", 4))
        postings.append(Posting(printer, 1, "total", at_us, closes_us, legs))
    anchor_us = BEGIN_US + first * every_us
    return RowSegment(printer, anchor_us, {"at": anchor_us}, tuple(stretches), tuple(charges), tuple(postings))


async def fill(journal: SqlJournal, charges: int) -> int:
    each = charges // PRINTERS
    every_us = 365 * DAY_US // each
    for number in range(PRINTERS):
        name = f"printer-{number}"
        await journal.replace(name, None, [segment(name, first, every_us) for first in range(0, each, PER_SEGMENT)])
    return each // PER_SEGMENT * PER_SEGMENT * PRINTERS


async def best_s(rounds: int, work: Callable[[], Awaitable[object]]) -> float:
    times = []
    for _ in range(rounds):
        began = time.perf_counter()
        await work()
        times.append(time.perf_counter() - began)
    return min(times)


async def measure(charges: int, rounds: int) -> list[Figure]:
    utc = ZoneInfo("UTC")
    year = Period("year", utc, BEGIN_US, BEGIN_US + 366 * DAY_US)
    day = Period("day", utc, BEGIN_US + 180 * DAY_US, BEGIN_US + 181 * DAY_US)
    with tempfile.TemporaryDirectory() as folder:
        journal = await SqlJournal.open(Path(folder) / "journal.sqlite", SystemClock())
        try:
            stored = await fill(journal, charges)

            async def walked() -> list[object]:
                totals = Totals("person")
                async for charge in journal.charges(year.from_us, year.to_us):
                    totals.add(charge)
                return [*totals.lines()]

            assert [*(await journal.charge_totals("person", year.from_us, year.to_us))] == await walked()
            grouped_s = await best_s(rounds, lambda: journal.charge_totals("person", year.from_us, year.to_us))
            walked_s = await best_s(rounds, walked)
            year_s = await best_s(rounds, lambda: totals_of(journal, year, "printer"))
            day_s = await best_s(rounds, lambda: totals_of(journal, day, "printer"))
        finally:
            await journal.close()
    print(f"{stored} charges of a year, {PRINTERS} printers")
    print(f"persons' totals: GROUP BY {grouped_s:.3f} s, one by one {walked_s:.3f} s")
    print(f"printers' accounts: year {year_s:.3f} s, day {day_s:.4f} s")
    return [
        Figure("persons' totals of a year, added up by the database", walked_s / grouped_s, "one by one, in speed"),
        Figure("printers' accounts of a year", year_s / day_s, "of a day"),
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--charges", type=int, default=200_000)
    parser.add_argument("--rounds", type=int, default=3)
    given = parser.parse_args()
    return report(asyncio.run(measure(given.charges, given.rounds)))


if __name__ == "__main__":
    raise SystemExit(main())
