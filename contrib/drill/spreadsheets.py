"""A month's workbooks opened by LibreOffice: each cell is what the CSV of the rows says, and no text is a formula.

    python contrib/drill/spreadsheets.py

LibreOffice writes the first sheet of each workbook as CSV, cells as shown (its help, "CSV Filter Parameters"). Some
logins are such as a spreadsheet would run, turn into a date, or rob of their zeros. Where there is no LibreOffice, it
says so and exits with 2.
"""

from __future__ import annotations

import argparse
import asyncio
import csv
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from college_year import BYS, SETTINGS, append, opened, said, store_month, store_people
from year_facts import SERVER, Size, fleet

from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.facts.facts import Fact, Origin, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.projection.projector import rebuild
from pagereeve.domain.values.instants import SECOND_US

SIZE = Size(printers=2, releases=600, persons=60, centres=6, length=1)
LOGINS = ("00042", "3-12", "-2+3", "=1+2", "@sum", "1e5", "ÖSSWALD", 'a "b", c', "+49")
PRINTER = "printer-apart"
# Comma, double quote, UTF-8, from the first line; texts are not quoted without need, cells as shown.
AS_CSV = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,true"
CONVERSION_LONGEST_S = 120


def odd_facts(month: Period) -> list[Fact]:
    """A release of each of LOGINS, at a printer without a meter."""
    facts: list[Fact] = []
    for nth, owner in enumerate(LOGINS):
        at_us = month.from_us + (nth + 1) * 3_600 * SECOND_US
        begun = Origin(SERVER, f"apart-{nth}.started", at_us, at_us, at_us)
        ended = Origin(SERVER, f"apart-{nth}.ended", at_us + 9 * SECOND_US, at_us + 9 * SECOND_US)
        ticket = Ticket(3, 1, "one-sided", 1, "monochrome", separator_sheets=0)
        facts.append(ReleaseStarted(PRINTER, begun, f"=apart-{nth}", f"job-{nth}", owner, ticket=ticket))
        facts.append(ReleaseEnded(PRINTER, ended, f"=apart-{nth}", "completed", 3))
    return facts


async def fill(folder: Path) -> str:
    """A journal and its settings; the name of the month that it has."""
    (folder / "pagereeve.toml").write_text(SETTINGS, encoding="utf-8")
    month = SIZE.months()[0]
    await store_people(folder, SIZE)
    await store_month(folder, fleet(SIZE), {}, month)
    async with opened(folder) as journal:
        await append(journal, odd_facts(month))
        await journal.replace(PRINTER, None, rebuild(PRINTER, odd_facts(month)))
    return month.name


def differing(folder: Path, month: str, by: str, soffice: str) -> list[str]:
    """Cells of the workbook that LibreOffice shows otherwise than the CSV has them."""
    asked = ["totals", "--config", str(folder / "pagereeve.toml"), "--period", month, "--by", by, "--output"]
    for form in ("xlsx", "csv"):
        if said([*asked, str(folder / f"{by}.{form}")])[0]:
            return [f"the {form} by {by} was not made, or does not add up"]
    shown = folder / "shown"
    profile = f"-env:UserInstallation={(folder / 'profile').as_uri()}"
    words = [soffice, "--headless", profile, "--convert-to", AS_CSV, "--outdir", str(shown), str(folder / f"{by}.xlsx")]
    subprocess.run(words, check=True, capture_output=True, timeout=CONVERSION_LONGEST_S)
    return [f"by {by}, {one}" for one in unlike(rows_of(folder / f"{by}.csv"), rows_of(shown / f"{by}.csv"))]


def rows_of(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.reader(file))


def unlike(rows: list[list[str]], shown: list[list[str]]) -> list[str]:
    if len(rows) != len(shown):
        return [f"{len(shown)} rows for {len(rows)}"]
    return [
        f"row {number}, column {place}: {theirs!r} for {ours!r}"
        for number, (mine, other) in enumerate(zip(rows, shown, strict=True), 1)
        for place, (ours, theirs) in enumerate(zip(mine, other, strict=True), 1)
        if plain(ours) != plain(theirs)
    ]


def plain(cell: str) -> str:
    """Our CSV has an apostrophe before a text that would be a formula, and yes or no where a cell is true or false."""
    cell = cell[1:] if cell[:1] == "'" and cell[1:2] in {"=", "+", "-", "@"} else cell
    return {"TRUE": "yes", "FALSE": "no"}.get(cell, cell)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.parse_args()
    soffice = shutil.which("soffice") or shutil.which("libreoffice")
    if soffice is None:
        print("there is no LibreOffice here (soffice): nothing was shown", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as name:
        month = asyncio.run(fill(Path(name)))
        found = [one for by in BYS for one in differing(Path(name), month, by, soffice)]
    for one in found:
        print(one)
    print(f"{len(BYS)} workbooks, {len(found)} cells differ")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
