"""How many bytes does a release take in the journal's file, and in which of its tables and indexes?

    python contrib/bench/journal_size.py [--printers 50] [--releases 10000] [--journal FOLDER]

The month of questions.py: start and end notices, two finished runs of readings a release, a colour counter at each
fourth printer, people, all sealed and projected. A copy of the file is written anew (VACUUM), and its pages are counted
by table and index (sqlite.org/dbstat.html). Target: facts and seal with their indexes, at most 1,500 bytes; the
ledger's rows, which can be made again, are told beside it. --journal goes by one that is there, or keeps it.
"""

from __future__ import annotations

import argparse
import asyncio
import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Final

import questions
from figures import Figure, report

from pagereeve.store.sqlite.files import JOURNAL_NAME

KEPT_MAX: Final = 1_500
KEPT: Final = ("fact", "seal_entry", "seal")
"""Tables of facts and seal; what follows from them are the others."""
PAGES: Final = (
    "SELECT dbstat.name, coalesce(tbl_name, ''), sum(pgsize) FROM dbstat LEFT JOIN sqlite_schema USING (name) "
    "GROUP BY 1, 2 ORDER BY 3 DESC"
)
STARTED: Final = "SELECT count(*) FROM fact WHERE release IS NOT NULL AND event_id LIKE '%.started'"


def measure(journal: Path, folder: Path) -> list[Figure]:
    copy = folder / "copy.sqlite"
    with closing(sqlite3.connect(journal)) as source, closing(sqlite3.connect(copy, isolation_level=None)) as database:
        source.backup(database)
        database.execute("VACUUM")
        parts = database.execute(PAGES).fetchall()
        (releases,) = database.execute(STARTED).fetchone()
    for name, table, size in parts:
        if size >= releases:
            print(f"{size / releases:10,.1f}  {name}{f' ({table})' if table != name else ''}")
    kept = sum(size for _, table, size in parts if table in KEPT)
    return [
        Figure("bytes of a release, facts and seal", kept / releases, unit="B", at_most=KEPT_MAX),
        Figure("bytes of a release, all tables", sum(size for *_, size in parts) / releases, unit="B"),
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=50)
    parser.add_argument("--releases", type=int, default=10_000, help="In the month.")
    parser.add_argument("--journal", type=Path, help="A folder for the journal, which is kept.")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = args.journal or Path(name)
        folder.mkdir(mode=0o700, exist_ok=True)
        if not (folder / JOURNAL_NAME).exists():
            asyncio.run(questions.make(folder, questions.size_of(args.printers, args.releases)))
        return report(measure(folder / JOURNAL_NAME, Path(name)))


if __name__ == "__main__":
    sys.exit(main())
