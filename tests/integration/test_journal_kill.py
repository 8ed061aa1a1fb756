"""Promise 1 of domain/README.md: an acknowledged event is never lost, whatever dies and when."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import textwrap
import threading
from pathlib import Path

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.facts import BadgePresented
from pagereeve.store.sqlite.journal import SqlJournal

KILLS = 8

APPENDER = """
    import asyncio, os, sys
    from pathlib import Path
    from pagereeve.app.clocks import SystemClock
    from pagereeve.store.sqlite.journal import SqlJournal
    from tests.journal_samples import badge, read, segment

    async def produce(journal, life, lane):
        printer = f"printer-{lane % 3}"
        number = 0
        while True:
            name = f"{life}-{lane}-{number}"
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
                lanes.create_task(produce(journal, sys.argv[2], lane))

    asyncio.run(main())
"""


def live_and_die(path: Path, life: int, after_s: float) -> list[str]:
    """Lines that the process acknowledged, through the pipe that outlives it, before it was killed."""
    command = [sys.executable, "-c", textwrap.dedent(APPENDER), str(path), str(life)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2]) as child:
        assert child.stdout is not None
        first = child.stdout.readline()
        killer = threading.Timer(after_s, os.kill, (child.pid, signal.SIGKILL))
        killer.start()
        rest = child.stdout.read()
        killer.join()
        assert child.wait() == -signal.SIGKILL
    # A line cut off by the kill was not acknowledged whole.
    return [line.decode() for line in (first + rest).split(b"\n")[:-1]]


async def test_every_acknowledged_fact_outlives_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    chance = random.Random(20260101)
    acknowledged: dict[str, tuple[int, str]] = {}
    for life in range(KILLS):
        for line in live_and_die(path, life, chance.uniform(0.0, 0.3)):
            name, seq, printer = line.split()
            acknowledged[name] = int(seq), printer
    assert len(acknowledged) > KILLS * 12

    journal = await SqlJournal.open(path, SystemClock())
    assert journal.fence == KILLS + 1
    stored: dict[str, tuple[int, str]] = {}
    for printer in await journal.printers():
        numbers = []
        async for one in journal.facts(printer):
            numbers.append(one.seq)
            if isinstance(one.fact, BadgePresented):
                stored[one.fact.origin.id] = one.seq, printer
        assert numbers == list(range(1, len(numbers) + 1))
    assert acknowledged.items() <= stored.items()
    # The group that was in flight may be there without its answer; never more than one for each lane and life.
    assert len(stored) - len(acknowledged) <= KILLS * 12
    [only] = await journal.segments("printer-0")
    assert only.charges
    await journal.close()
