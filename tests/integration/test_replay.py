"""A replay may be killed at any moment, and a check writes nothing: readers always find every printer's rows whole."""

from __future__ import annotations

import asyncio
import gzip
import os
import random
import resource
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import check_journal, replay_journal
from pagereeve.domain.ledger import RowSegment
from pagereeve.queries.replay import Replayed
from pagereeve.store.errors import CantOpen
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads

OLD = Path(__file__).parent / "journals" / "r0003" / "journal.sqlite.gz"
KILLS = 6
COMMAND = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"


@pytest.fixture
async def folder(tmp_path: Path) -> Path:
    """A journal of seven printers, none of which any settings name, with its rows as they should be."""
    (tmp_path / JOURNAL_NAME).write_bytes(gzip.decompress(OLD.read_bytes()))
    await replay_journal(tmp_path / JOURNAL_NAME)
    return tmp_path


async def rows(path: Path) -> dict[str, list[RowSegment]]:
    async with await SqlReads.open_for_reading(path) as reads:
        return {printer: list(await reads.segments(printer)) for printer in [*await reads.printers(), ""]}


def killed_within(argv: list[str], after_s: float) -> None:
    with subprocess.Popen(argv, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as child:
        killer = threading.Timer(after_s, os.kill, (child.pid, signal.SIGKILL))
        killer.start()
        child.wait()
        killer.cancel()


async def test_a_kill_leaves_every_printers_rows_whole(folder: Path) -> None:
    path, chance = folder / JOURNAL_NAME, random.Random(20261129)
    whole = await rows(path)
    assert len(whole) == 8
    assert all(whole.values())
    argv = [sys.executable, "-c", COMMAND, "replay", "--data-dir", str(folder)]
    began_s = time.monotonic()
    await asyncio.to_thread(subprocess.run, argv, check=True, capture_output=True)
    took_s = time.monotonic() - began_s
    for _ in range(KILLS):
        await asyncio.to_thread(killed_within, argv, chance.uniform(0.3, 1.0) * took_s)
        assert await rows(path) == whole
    assert (await check_journal(path)).differing == []


async def test_who_reads_beside_a_replay_never_finds_a_printer_without_its_rows(folder: Path) -> None:
    path = folder / JOURNAL_NAME
    whole = await rows(path)
    replaying = asyncio.create_task(replay_journal(path))
    looks = 0
    while not replaying.done():
        assert await rows(path) == whole
        looks += 1
        await asyncio.sleep(0)
    assert (await replaying).differing == []
    assert looks > 1


def no_file_may_grow() -> None:
    """As on a disk without a byte left."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))


def test_a_check_writes_nothing_and_needs_no_free_disk(folder: Path) -> None:
    path = folder / JOURNAL_NAME
    before, there = path.read_bytes(), sorted(folder.iterdir())
    argv = [sys.executable, "-B", "-c", COMMAND, "replay", "--check", "--data-dir", str(folder)]
    done = subprocess.run(argv, capture_output=True, text=True, preexec_fn=no_file_may_grow, check=False)
    assert "compared only; nothing differs." in done.stdout, done.stderr
    assert done.returncode == 0
    assert path.read_bytes() == before
    assert sorted(folder.iterdir()) == there


async def test_a_check_runs_beside_the_daemon_that_holds_the_journal(folder: Path) -> None:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        assert (await check_journal(folder / JOURNAL_NAME)).differing == []
    finally:
        await journal.close()


async def test_a_check_of_a_journal_that_is_opened_meanwhile_says_so(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[SqlJournal] = []

    async def looked_at(*_: object) -> Replayed:
        opened.append(await SqlJournal.open(folder / JOURNAL_NAME, SystemClock()))
        return Replayed("badges", "", (), 0, 0)

    monkeypatch.setattr("pagereeve.app.replay.replayed_badges", looked_at)
    with pytest.raises(CantOpen, match="compare it again"):
        await check_journal(folder / JOURNAL_NAME)
    await opened[0].close()
