"""Late facts after a close: the closed export keeps its bytes, what corrects it adds up, and the next close takes it.

Printers whose pages nobody had released, as far as was known, are closed so; then the notices come.

    python contrib/drill/late_facts.py                               # 1,000 late notices among 5,000 releases
    python contrib/drill/late_facts.py --printers 4 --known 100 --late 10
"""

from __future__ import annotations

import argparse
import asyncio
import hashlib
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

sys.path.insert(0, str(Path(__file__).parents[2]))

from pagereeve.app.clocks import SystemClock
from pagereeve.app.closing import ClosingRequest, close_period
from pagereeve.app.replay import replay_store
from pagereeve.domain.accounts.entries import Correction
from pagereeve.domain.accounts.export_rows import ExportBy
from pagereeve.domain.accounts.periods import Period, between
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.queries.adjustments import changes_to, outstanding
from pagereeve.queries.closed_periods import closed_export
from pagereeve.queries.exports import export_of
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.exports import rows_as_csv
from tests.late_releases import PAGES, notices, observe, printer_name

BERLIN: Final = ZoneInfo("Europe/Berlin")
GROUPINGS: Final[tuple[ExportBy, ...]] = ("person", "cost-centre", "printer", "day", "release")
MONTHS: Final = (date(2026, 11, 1), date(2026, 12, 1), date(2027, 1, 1), date(2027, 2, 1))
AFTER_US: Final = 1_830_000_000_000_000


@contextmanager
def timed(what: str) -> Iterator[None]:
    began = time.perf_counter()
    yield
    print(f"{what}: {time.perf_counter() - began:.2f} s", flush=True)


def months() -> list[Period]:
    ends = [between(day.isoformat(), None, BERLIN).from_us for day in MONTHS]
    return [Period(f"{day:%Y-%m}", BERLIN, *ends[nth : nth + 2]) for nth, day in enumerate(MONTHS[:3])]


async def come(journal: SqlJournal, printers: int, releases: Sequence[int]) -> None:
    for nth in range(printers):
        for first in range(0, len(releases), 200):
            await journal.append_together(notices(printer_name(nth), releases[first : first + 200]))
    with timed(f"projected with {printers * len(releases)} notices more"):
        await replay_store(journal, store=True)


async def closed_bytes(journal: SqlJournal, closed: ClosedPeriod) -> dict[str, str]:
    made: dict[str, str] = {}
    async with journal.snapshot() as held:
        for by in GROUPINGS:
            export = await closed_export(held, closed, by)
            rows = [row async for row in export.rows]
            assert not export.adding.differences
            made[by] = hashlib.sha256(rows_as_csv(by, rows)).hexdigest()
    return made


async def require_adding_up(journal: SqlJournal, period: Period) -> list[Correction]:
    with timed(f"what is outstanding before the close of {period.name}"):
        corrections = await outstanding(journal)
    balance: Counter[tuple[str, str, str]] = Counter()
    for one in corrections:
        key = one.adjustment.key
        balance[key.printer, key.channel, key.unit] += one.pages
    assert not any(balance.values()), "accounts get what the meter gives"
    received = sum(one.pages for one in corrections if not one.is_of_meter)
    async with journal.snapshot() as held:
        for by in GROUPINGS:
            export = await export_of(held, period, by)
            rows = [row async for row in export.rows]
            assert not export.adding.differences
            assert sum(row.pages for row in rows if row.kind == "adjustment") == received
    return corrections


async def close(journal: SqlJournal, period: Period) -> ClosedPeriod:
    with timed(f"close of {period.name}"):
        closed = await close_period(journal, ClosingRequest(period, "a drill"), "bursar", AFTER_US)
    print(f"  {closed.rows} rows frozen", flush=True)
    assert await outstanding(journal) == []
    return closed


async def drill(folder: Path, printers: int, known: int, late: int) -> None:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        for nth in range(printers):
            await observe(journal, printer_name(nth), known + late)
        await come(journal, printers, range(known))
        first, second, third = months()
        closed = await close(journal, first)
        with timed("closed exports, by all groupings"):
            before = await closed_bytes(journal, closed)
        await come(journal, printers, range(known, known + late - late // 10))
        corrections = await require_adding_up(journal, second)
        people = sum(one.pages for one in corrections if one.adjustment.key.owner)
        assert people == PAGES * printers * (late - late // 10)
        print(f"  {len(corrections)} adjustments, {people} pages to people", flush=True)
        again = await close(journal, second)
        taken = await closed_bytes(journal, again)
        await come(journal, printers, range(known + late - late // 10, known + late))
        await require_adding_up(journal, third)
        await close(journal, third)
        with timed("all that corrects the first"):
            [changes] = await changes_to(journal, closed)
        people = sum(one.correction.pages for one in changes.taken if one.correction.adjustment.key.owner)
        assert people == PAGES * printers * late
        assert await closed_bytes(journal, closed) == before, "a closed export never changes"
        assert await closed_bytes(journal, again) == taken
        print(f"{printers * late} late facts: closed exports byte-equal, {people} pages corrected by two closes")
    finally:
        await journal.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=20)
    parser.add_argument("--known", type=int, default=200, help="releases of each printer that were known in time")
    parser.add_argument("--late", type=int, default=50, help="releases of each printer whose notices come late")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(drill(Path(folder), asked.printers, asked.known, asked.late))


if __name__ == "__main__":
    main()
