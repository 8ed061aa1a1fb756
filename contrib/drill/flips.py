"""Single bits flipped in a journal's database and write-ahead file: each is named, or harmless by `pagereeve verify`.

Harmless is a flip after which every column of every fact is what it was. A head that was noted before stands for
whoever keeps one elsewhere.

    python contrib/drill/flips.py                 # 2,000 flips
    python contrib/drill/flips.py --flips 200 --seed 7
"""

from __future__ import annotations

import argparse
import asyncio
import random
import shutil
import sqlite3
import sys
import tempfile
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.queries.verify import HeldHead, verify
from pagereeve.store.sqlite.files import JOURNAL_NAME, wal_path
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from tests.sealed_journal import fill

FACTS = "SELECT printer, seq, kind, at_us, source, event_id, release, body, digest, shift_us FROM fact ORDER BY 1, 2"


@dataclass(frozen=True)
class Journal:
    """Files as a killed daemon leaves them: some commits are in the database, the latest beside it."""

    folder: Path
    head: HeldHead
    facts: list[tuple[object, ...]]

    @property
    def path(self) -> Path:
        return self.folder / JOURNAL_NAME


async def made(folder: Path) -> Journal:
    live, kept = folder / "live", folder / "kept"
    live.mkdir()
    kept.mkdir()
    journal = await SqlJournal.open(live / JOURNAL_NAME, SystemClock())
    await fill(journal, rounds=6)
    await journal.checkpoint()
    await fill(journal, first=6, rounds=3)
    path = live / JOURNAL_NAME
    for file in (path, wal_path(path)):
        shutil.copy(file, kept)
    head = await journal.seal_head()
    await journal.close()
    if head is None or not wal_path(kept / JOURNAL_NAME).stat().st_size:
        raise RuntimeError("nothing was sealed, or nothing is in the write-ahead file")
    made = Journal(kept, HeldHead(head.head, head.size, head.origin), rows(path))
    # Whoever reads last brings the write-ahead file in: never in the files that are kept.
    if await outcome(made, Path(shutil.copytree(kept, folder / "whole"))) != "harmless":
        raise RuntimeError("the journal is not what was sealed before any bit was flipped")
    return made


def rows(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        connection.text_factory = bytes
        return connection.execute(FACTS).fetchall()


async def outcome(journal: Journal, folder: Path) -> str:
    """``named``, ``refused`` (with a message of our own), ``harmless``, or ``MISSED``."""
    path = folder / JOURNAL_NAME
    try:
        async with await SqlReads.open_for_reading(path) as reads:
            done = await verify(reads, [journal.head])
    except PagereeveError as error:
        return "refused" if str(error) else "MISSED"
    if not done.is_good:
        return "named"
    return "harmless" if rows(path) == journal.facts else "MISSED"


async def flipped(journal: Journal, folder: Path, chance: random.Random) -> tuple[str, str]:
    """(file and place, what came of it)."""
    trial = Path(tempfile.mkdtemp(dir=folder))
    files = [trial / JOURNAL_NAME, wal_path(trial / JOURNAL_NAME)]
    for file in files:
        shutil.copy(journal.folder / file.name, file)
    sizes = [file.stat().st_size for file in files]
    # Each file as often: the database is mostly empty pages of tables that hold little.
    file, size = chance.choice(list(zip(files, sizes, strict=True)))
    place, bit = chance.randrange(size), chance.randrange(8)
    content = bytearray(file.read_bytes())
    content[place] ^= 1 << bit
    file.write_bytes(content)
    came = await outcome(journal, trial)
    shutil.rmtree(trial)
    return f"{file.name}, byte {place}, bit {bit}", came


async def tried(folder: Path, flips: int, seed: int) -> tuple[Counter[str], list[str]]:
    """How often what came of it, and which were missed."""
    journal, chance = await made(folder), random.Random(seed)
    counts, missed = Counter[str](), list[str]()
    for _ in range(flips):
        where, came = await flipped(journal, folder, chance)
        counts[came] += 1
        if came == "MISSED":
            missed.append(where)
    return counts, missed


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--flips", type=int, default=2_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        counts, missed = asyncio.run(tried(Path(folder), options.flips, options.seed))
    print(", ".join(f"{count} {came}" for came, count in sorted(counts.items())))
    for where in missed:
        print(f"MISSED: {where}")
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
