"""`pagereeve backup`: what was acknowledged is in it, what is damaged is named, and no half file is left."""

# ruff: noqa: ASYNC220, ASYNC240 - a test has nothing else to do while it looks at a file or a process

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import textwrap
import threading
from contextlib import closing
from pathlib import Path

import pytest

from pagereeve.store.errors import LostCommits
from pagereeve.store.newest import read_newest
from pagereeve.store.sqlite.backup.container import FOOTER_BYTES
from pagereeve.store.sqlite.backup.errors import BackupTrouble, BadBackup, NotBackedUp
from pagereeve.store.sqlite.backup.taking import take_backup
from pagereeve.store.sqlite.files import JOURNAL_NAME, newest_path
from tests.integration.backups import (
    APPENDER,
    CLOCK,
    ROOT,
    command,
    facts_of,
    fill,
    restored,
    rows_of,
    run,
    site,
)
from tests.integration.test_journal_damage import edit
from tests.sealed_journal import bodies


async def test_a_backup_under_load_holds_all_that_was_acknowledged_before(tmp_path: Path) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    argv = [sys.executable, "-c", textwrap.dedent(APPENDER), str(path)]
    acknowledged: list[str] = []
    meanwhile: list[int] = []
    with subprocess.Popen(argv, stdout=subprocess.PIPE, cwd=ROOT, text=True) as child:
        assert child.stdout is not None
        for line in child.stdout:
            acknowledged.append(line)
            if len(acknowledged) == 1_500:
                break
        rest = child.stdout
        reader = threading.Thread(target=lambda: acknowledged.extend(rest))
        reader.start()
        before = list(acknowledged)
        manifest = take_backup(path, target, CLOCK, on_step=lambda *_: meanwhile.append(len(acknowledged)))
        after = len(acknowledged)
        os.kill(child.pid, signal.SIGKILL)
        reader.join()
    # Commits went on beside it.
    assert after > len(before)
    assert meanwhile
    assert target.stat().st_mode & 0o777 == 0o600

    other = tmp_path / "elsewhere" / JOURNAL_NAME
    await restored(target, other)
    copy, live = await facts_of(other), await facts_of(path)
    names = {fact.origin.id for fact in copy if hasattr(fact, "origin")}
    assert {line.split()[0] for line in before} <= names
    assert len(copy) == manifest.state.facts < len(live)
    with closing(sqlite3.connect(other)) as mine, closing(sqlite3.connect(path)) as theirs:
        question = "SELECT rowid, * FROM fact WHERE rowid <= ? ORDER BY rowid"
        bound = (manifest.state.newest.sequence,)
        assert mine.execute(question, bound).fetchall() == theirs.execute(question, bound).fetchall()


async def test_everything_comes_back_as_it_was(tmp_path: Path) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(60))
    take_backup(path, target, CLOCK)
    other = tmp_path / "elsewhere" / JOURNAL_NAME
    done = await restored(target, other)
    assert (done.kept, done.lost) == (None, 0)
    assert rows_of(other) == rows_of(path)
    assert {one.name for one in other.parent.iterdir()} == {JOURNAL_NAME, f"{JOURNAL_NAME}.lock", "journal.newest"}
    assert all(one.stat().st_mode & 0o777 == 0o600 for one in other.parent.iterdir())
    seen = read_newest(newest_path(other))
    assert seen is not None
    assert seen.newest is not None
    assert seen.newest.sequence == done.manifest.state.newest.sequence == 72
    # The same as a plain SQLite database, for whoever has no Pagereeve at hand.
    with closing(sqlite3.connect(f"{target.as_uri()}?mode=ro", uri=True)) as connection:
        assert connection.execute("SELECT count(*) FROM fact").fetchone() == (72,)


async def test_every_flipped_bit_is_refused(tmp_path: Path) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(30))
    take_backup(path, target, CLOCK)
    whole = target.read_bytes()
    chance = random.Random(20261129)
    places = [chance.randrange(len(whole) * 8) for _ in range(60)]
    places += [len(whole) * 8 - 1 - chance.randrange(FOOTER_BYTES * 8) for _ in range(20)]
    other = tmp_path / "elsewhere" / JOURNAL_NAME
    for place in places:
        flipped = bytearray(whole)
        flipped[place // 8] ^= 1 << place % 8
        target.write_bytes(flipped)
        with pytest.raises(BadBackup):
            await restored(target, other)
        assert {one.name for one in other.parent.iterdir()} <= {f"{JOURNAL_NAME}.lock"}
    target.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(BadBackup, match="cut off"):
        await restored(target, other)
    target.write_bytes(whole)
    await restored(target, other)
    assert rows_of(other) == rows_of(path)


async def test_what_is_damaged_is_named(tmp_path: Path) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(30))
    take_backup(path, target, CLOCK)
    whole = target.read_bytes()
    place = whole.index(next(stored for stored, body in bodies(path) if '"id":"badge-7"' in body))
    target.write_bytes(whole[: place + 7] + bytes([whole[place + 7] ^ 4]) + whole[place + 8 :])
    with pytest.raises(BadBackup, match=r"printer-1: fact \d+ \(pagereeve.badge.presented.v1\) is damaged"):
        await restored(target, tmp_path / "elsewhere" / JOURNAL_NAME)


async def test_a_row_that_was_damaged_before_is_said_and_comes_back_as_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(30))
    edit(path, "fact", "printer = 'printer-1' AND seq = 2", b"gateway-1", b"gateway-2")
    assert await command(["backup", str(target), "--data-dir", str(path.parent)]) == 1
    assert "printer-1: fact 2 (pagereeve.badge.presented.v1) is damaged in the journal" in capsys.readouterr().err
    other = tmp_path / "elsewhere" / JOURNAL_NAME
    await restored(target, other)
    assert rows_of(other) == rows_of(path)


async def test_a_journal_that_lacks_what_was_acknowledged_is_no_source(tmp_path: Path) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(10))
    older = path.read_bytes()
    await fill(path, range(10, 20))
    path.write_bytes(older)
    with pytest.raises(LostCommits):
        take_backup(path, target, CLOCK)
    assert [one.name for one in tmp_path.iterdir()] == ["live"]


async def test_a_full_disk_leaves_no_half_file(tmp_path: Path) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(30))
    with pytest.raises(NotBackedUp, match=r"needs \d+ bytes free"):
        take_backup(path, target, CLOCK, free=lambda _: 1_000)
    other = tmp_path / "other"
    take_backup(path, other, CLOCK)
    with pytest.raises(BackupTrouble, match=r"needs \d+ bytes free"):
        await restored(other, path, free=lambda _: 1_000)
    for limit_bytes in (40_000, 120_000, path.stat().st_size + 100):
        # What can't be written is an error of the disk, whatever the reason (setrlimit(2), RLIMIT_FSIZE).
        code = f"""
            import resource, sys
            from pagereeve.cli import main
            resource.setrlimit(resource.RLIMIT_FSIZE, ({limit_bytes}, {limit_bytes}))
            main(sys.argv[1:])
        """
        refused = run(code, "backup", target, "--data-dir", path.parent)
        assert refused.returncode == 2, refused.stderr
        assert "can't be written" in refused.stderr
        assert "Traceback" not in refused.stderr
        assert sorted(one.name for one in tmp_path.iterdir()) == ["live", "other"]
