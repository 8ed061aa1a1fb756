"""Journals to back up, and what is asked of them afterwards."""

from __future__ import annotations

import asyncio
import sqlite3
import subprocess
import sys
import textwrap
from contextlib import closing
from pathlib import Path
from typing import Any

from pagereeve.app.badge_key import NAME, check_value
from pagereeve.app.clocks import SystemClock
from pagereeve.cli import status_of
from pagereeve.domain.facts.facts import Fact, LossAccepted
from pagereeve.store.sql.tables import metadata
from pagereeve.store.sqlite.backup.restoring import Restored, restore_backup
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import badge, read, segment

ROOT = Path(__file__).parents[2]
CLOCK = SystemClock()
KEY = "5" * 64
UNNUMBERED = {one.name for one in metadata.sorted_tables if not one.dialect_options["sqlite"]["with_rowid"]}
"""Tables whose rows have no numbers of their own."""

APPENDER = """
    import asyncio, os, sys
    from pathlib import Path
    from pagereeve.app.clocks import SystemClock
    from pagereeve.store.sqlite.journal import SqlJournal
    from tests.journal_samples import badge, read, segment

    async def produce(journal, lane):
        printer = f"printer-{lane % 3}"
        number = 0
        while True:
            name = f"{lane}-{number}"
            receipt = await journal.append(badge(name, printer))
            os.write(1, f"{name} {receipt.seq} {printer}\\n".encode())
            if lane == 0:
                await journal.observe(printer, [read(number, printer)], read(number + 1, printer))
                await journal.replace(printer, None, [segment(printer, number)])
            number += 1

    async def main():
        journal = await SqlJournal.open(Path(sys.argv[1]), SystemClock())
        async with asyncio.TaskGroup() as lanes:
            for lane in range(12):
                lanes.create_task(produce(journal, lane))

    asyncio.run(main())
"""


def site(folder: Path) -> Path:
    """The journal's place in a data folder of its own."""
    folder.mkdir(mode=0o700)
    return folder / JOURNAL_NAME


async def fill(path: Path, names: range, *, key: bool = False) -> None:
    journal = await SqlJournal.open(path, CLOCK)
    for number in names:
        printer = f"printer-{number % 3}"
        await journal.append(badge(f"badge-{number}", printer))
        if number % 5 == 0:
            await journal.observe(printer, [read(number, printer)], read(number + 1, printer))
            await journal.replace(printer, None, [segment(printer, number)])
    if key:
        await journal.keep_key_check(NAME, check_value(KEY.encode()))
        path.with_name("badge.key").write_text(KEY)
        path.with_name("badge.key").chmod(0o600)
    await journal.close()


async def facts_of(path: Path) -> list[Fact]:
    """Opened as a start does: refused if anything acknowledged is missing."""
    journal = await SqlJournal.open(path, CLOCK)
    try:
        return [one.fact for printer in ("", *await journal.printers()) async for one in journal.facts(printer)]
    finally:
        await journal.close()


def rows_of(path: Path) -> dict[str, list[Any]]:
    """Every row of every table but the one that says who has it open, with its number where it has one."""
    with closing(sqlite3.connect(path)) as connection:
        names = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND name != 'instance'")
        return {name: sorted(connection.execute(f"SELECT {_what(name)} FROM {name}")) for (name,) in names.fetchall()}


def _what(table: str) -> str:
    return "*" if table in UNNUMBERED else "rowid, *"


async def restored(backup: Path, journal: Path, **more: Any) -> Restored:
    journal.parent.mkdir(mode=0o700, exist_ok=True)
    return await restore_backup(backup, journal, CLOCK, **more)


def run(code: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", textwrap.dedent(code), *map(str, arguments)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)


def without_losses(facts: list[Fact]) -> list[Fact]:
    return [fact for fact in facts if not isinstance(fact, LossAccepted)]


async def command(arguments: list[str]) -> int:
    """In a thread: it has a loop of its own."""
    return await asyncio.to_thread(status_of, arguments)
