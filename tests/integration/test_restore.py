"""`pagereeve restore`: nothing acknowledged is lost unsaid, and a kill leaves the old journal or the new one."""

# ruff: noqa: ASYNC220, ASYNC240 - a test has nothing else to do while it looks at a file or a process

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from pagereeve.domain.facts.facts import Fact, LossAccepted
from pagereeve.store.errors import InUse, NewerSchema
from pagereeve.store.sql.tables import REVISION
from pagereeve.store.sqlite.backup import restoring
from pagereeve.store.sqlite.backup.container import read_manifest
from pagereeve.store.sqlite.backup.errors import BackupTrouble, WouldLose
from pagereeve.store.sqlite.backup.switch import switch_steps
from pagereeve.store.sqlite.backup.taking import take_backup
from pagereeve.store.sqlite.files import JOURNAL_NAME, newest_path, wal_path
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.backups import (
    APPENDER,
    CLOCK,
    ROOT,
    facts_of,
    fill,
    restored,
    rows_of,
    run,
    site,
    without_losses,
)
from tests.journal_samples import badge

# Each victim is killed by its own hand at one step: the kernel does the rest, as for any other SIGKILL.
KILLED_BACKUPS = """
    import os, signal, sys
    from pathlib import Path
    from pagereeve.app.clocks import SystemClock
    from pagereeve.store.sqlite.backup import taking

    taking.STEP_PAGES = 4
    real = taking.seal

    def die(*_):
        os.kill(os.getpid(), signal.SIGKILL)

    def victim(folder, at):
        taking.seal = die if at == "compared" else real
        steps = []

        def on_step(left, whole):
            steps.append(left)
            if at == "last" and not left or at == str(len(steps)):
                die()

        target = folder / "backup"
        taking.take_backup(folder / "live" / "journal.sqlite", target, SystemClock(), replace=True, on_step=on_step)

    for at in sys.argv[2:]:
        child = os.fork()
        if not child:
            victim(Path(sys.argv[1]) / at, at)
            os._exit(0)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""
KILLED_RESTORES = """
    import asyncio, os, signal, sys
    from pathlib import Path
    from pagereeve.app.clocks import SystemClock
    from pagereeve.store.sqlite.backup import restoring

    real = restoring.switch_steps

    def victim(folder, step, loses):
        def cut_off(*args, **more):
            steps = list(real(*args, **more))
            assert len(steps) == 6
            return [*steps[:step], lambda: os.kill(os.getpid(), signal.SIGKILL)]

        restoring.switch_steps = cut_off
        journal = folder / "live" / "journal.sqlite"
        asyncio.run(restoring.restore_backup(folder / "backup", journal, SystemClock(), accept_loss=loses))

    for name in sys.argv[2:]:
        child = os.fork()
        if not child:
            victim(Path(sys.argv[1]) / name, int(name[-1]), name.startswith("loses"))
            os._exit(0)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""


async def test_a_killed_backup_leaves_the_old_one_and_the_next_one_tidies(tmp_path: Path) -> None:
    """Killed after the first step, in the middle, after the last, and once it was compared."""
    victims = ("1", "3", "last", "compared")
    was: dict[str, bytes] = {}
    for name in victims:
        (tmp_path / name).mkdir()
        path, target = site(tmp_path / name / "live"), tmp_path / name / "backup"
        await fill(path, range(10))
        take_backup(path, target, CLOCK)
        was[name] = target.read_bytes()
        await fill(path, range(10, 20))
    killed = run(KILLED_BACKUPS, tmp_path, *victims)
    assert killed.stdout.split() == [str(-signal.SIGKILL)] * len(victims), killed.stderr
    for name in victims:
        folder = tmp_path / name
        assert (folder / "backup").read_bytes() == was[name]
        take_backup(folder / "live" / JOURNAL_NAME, folder / "backup", CLOCK, replace=True)
        assert {one.name for one in folder.iterdir()} == {"backup", "live"}
        assert read_manifest(folder / "backup").state.facts == 24


async def test_a_killed_restore_leaves_the_old_or_the_new(tmp_path: Path) -> None:
    """Before the first step of the switch, after each, and after the last."""
    victims = [f"{kind}-{step}" for kind in ("loses", "keeps") for step in range(7)]
    old: dict[str, list[Fact]] = {}
    for name in victims:
        (tmp_path / name).mkdir()
        path, target = site(tmp_path / name / "live"), tmp_path / name / "backup"
        await fill(path, range(5))
        take_backup(path, target, CLOCK)
        # Of those that lose nothing, a later start has only raised the fence.
        await fill(path, range(5, 8) if name.startswith("loses") else range(0))
        old[name] = await facts_of(path)
    killed = run(KILLED_RESTORES, tmp_path, *victims)
    assert killed.stdout.split() == [str(-signal.SIGKILL)] * len(victims), killed.stderr
    for name in victims:
        loses, path = name.startswith("loses"), tmp_path / name / "live" / JOURNAL_NAME
        found = await facts_of(path)
        switched = name[-1] in "456"
        assert found == old[name] or switched
        assert len(without_losses(found)) == (6 if switched else len(old[name]))
        done = await restored(tmp_path / name / "backup", path, accept_loss=loses)
        assert done.kept is not None
        kept = sorted(path.parent.glob("journal.replaced-*"))
        assert len(kept) == 1 + switched
        if switched:
            # What the killed one had replaced is there, whole.
            with closing(sqlite3.connect(kept[0] / JOURNAL_NAME)) as connection:
                assert connection.execute("SELECT count(*) FROM fact").fetchone() == (len(old[name]),)
        assert len(without_losses(await facts_of(path))) == 6
        assert not (path.parent / "journal.restoring").exists()


async def test_a_backup_that_lacks_acknowledged_facts_is_restored_only_if_told(tmp_path: Path) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(30))
    take_backup(path, target, CLOCK)
    await fill(path, range(30, 37))
    was, files = rows_of(path), {one: one.read_bytes() for one in path.parent.iterdir()}
    with pytest.raises(WouldLose, match="lacks 9 acknowledged facts"):
        await restored(target, path)
    assert {one: one.read_bytes() for one in path.parent.iterdir()} == files
    done = await restored(target, path, accept_loss=True)
    assert done.lost == 9
    loss, *others = await facts_of(path)
    assert len(others) == 36
    assert isinstance(loss, LossAccepted)
    assert (loss.loss, loss.acknowledged, loss.stored) == ("fewer-facts", 45, 36)
    assert done.kept is not None
    assert done.kept.name.startswith("journal.replaced-2")
    assert rows_of(done.kept / JOURNAL_NAME) == was
    assert newest_path(done.kept / JOURNAL_NAME).exists()


async def test_a_journal_that_was_killed_is_looked_at_with_its_write_ahead_file(tmp_path: Path) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(10))
    take_backup(path, target, CLOCK)
    argv = [sys.executable, "-c", textwrap.dedent(APPENDER), str(path)]
    with subprocess.Popen(argv, stdout=subprocess.PIPE, cwd=ROOT) as child:
        assert child.stdout is not None
        for _ in range(50):
            child.stdout.readline()
        with pytest.raises(InUse):
            await restored(target, path)
        os.kill(child.pid, signal.SIGKILL)
    assert wal_path(path).stat().st_size
    with pytest.raises(WouldLose):
        await restored(target, path)
    assert wal_path(path).stat().st_size
    later = tmp_path / "later"
    take_backup(path, later, CLOCK)
    lost = len(await facts_of(path)) - read_manifest(target).state.facts
    assert read_manifest(later).state.facts - read_manifest(target).state.facts == lost >= 50
    done = await restored(target, path, accept_loss=True)
    assert done.lost == lost


async def damage_nothing(path: Path) -> None:
    pass


async def no_database(path: Path) -> None:
    path.write_bytes(b"no database" * 999)


async def gone(path: Path) -> None:
    path.unlink()


async def no_note(path: Path) -> None:
    newest_path(path).write_bytes(b"?" * 1024)


async def other_site(path: Path) -> None:
    for one in path.parent.iterdir():
        one.unlink()
    journal = await SqlJournal.open(path, CLOCK)
    for number in range(90):
        await journal.append(badge(f"other-{number}", "elsewhere"))
    await journal.close()


@pytest.mark.parametrize(
    ("harm", "refused", "loss"),
    [
        (damage_nothing, False, None),
        (gone, False, None),
        (no_database, True, "unreadable-note"),
        (no_note, True, "unreadable-note"),
        (other_site, True, "fewer-facts"),
    ],
)
async def test_into_a_folder_whose_files_were_harmed(
    tmp_path: Path, harm: Any, refused: bool, loss: str | None
) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(30))
    take_backup(path, target, CLOCK)
    await harm(path)
    if refused:
        with pytest.raises(WouldLose):
            await restored(target, path)
    done = await restored(target, path, accept_loss=refused)
    assert done.kept is not None
    found = await facts_of(path)
    assert [one.loss for one in found if isinstance(one, LossAccepted)] == ([] if loss is None else [loss])
    assert len(found) == 36 + (loss is not None)


async def test_a_backup_of_a_newer_version_changes_nothing(tmp_path: Path) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(5))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = 'r9999'")
    take_backup(path, target, CLOCK)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = ?", (REVISION,))
    files = {one: one.read_bytes() for one in path.parent.iterdir()}
    with pytest.raises(NewerSchema, match="r9999"):
        await restored(target, path)
    assert {one: one.read_bytes() for one in path.parent.iterdir()} == files


@pytest.mark.parametrize("opens", [True, False])
async def test_an_error_in_the_middle_leaves_the_old_or_the_new(
    tmp_path: Path, opens: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = switch_steps
    for step in range(6 if opens else 5):
        folder = tmp_path / str(step)
        folder.mkdir()
        path, target = site(folder / "live"), folder / "backup"
        await fill(path, range(5))
        take_backup(path, target, CLOCK)
        if not opens:
            path.write_bytes(b"no database" * 999)
            wal_path(path).write_bytes(b"what came last")
        before = content_of(path.parent)

        def cut_off(*args: Any, step: int = step, **more: Any) -> list[Callable[[], None]]:
            return [*real(*args, **more)[:step], broken]

        monkeypatch.setattr(restoring, "switch_steps", cut_off)
        with pytest.raises(BackupTrouble, match="an invented error"):
            await restored(target, path, accept_loss=not opens)
        switched = step >= (4 if opens else 3)
        if switched:
            assert len(without_losses(await facts_of(path))) == 6
            (kept,) = path.parent.glob("journal.replaced-*")
            assert {name: (kept / name).read_bytes() for name in before} == before
        else:
            assert content_of(path.parent) == before


def content_of(folder: Path) -> dict[str, bytes]:
    """Without what holds nothing: the lock, and the index of the write-ahead file, which any reader makes."""
    return {one.name: one.read_bytes() for one in folder.iterdir() if not one.name.endswith((".lock", "-shm"))}


def broken() -> None:
    raise OSError(5, "an invented error")
