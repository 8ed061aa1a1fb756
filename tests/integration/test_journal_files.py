"""The journal's files are moved, deleted, replaced or set back: noticed, never made anew in silence, and refused."""

# ruff: noqa: ASYNC240 - a test has nothing else to do while it looks at a file

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy.exc import DBAPIError

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.facts import LossAccepted
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.errors import CantOpen, LostCommits, MissingJournal
from pagereeve.store.newest import SLOT_BYTES, SLOTS, Newest, NewestFile, read_newest
from pagereeve.store.sqlite import committing
from pagereeve.store.sqlite.committing import Committer
from pagereeve.store.sqlite.files import lock_path, newest_path, shm_path, wal_path
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from tests.journal_samples import badge

KILLED = """
    import asyncio, os, signal, sys
    from pathlib import Path
    from pagereeve.app.clocks import SystemClock
    from pagereeve.store.sqlite.journal import SqlJournal
    from tests.journal_samples import badge

    async def main():
        journal = await SqlJournal.open(Path(sys.argv[1]), SystemClock())
        for number in range(int(sys.argv[2])):
            await journal.append(badge(f"killed-{journal.fence}-{number}"))
        os.kill(os.getpid(), signal.SIGKILL)

    asyncio.run(main())
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    return folder / "journal.sqlite"


@asynccontextmanager
async def opened(path: Path, *, new: bool = False, accept_loss: bool = False) -> AsyncIterator[SqlJournal]:
    journal = await SqlJournal.open(path, SystemClock(), new=new, accept_loss=accept_loss)
    try:
        yield journal
    finally:
        await journal.close()


async def filled(path: Path, facts: int = 3) -> None:
    async with opened(path) as journal:
        for number in range(facts):
            await journal.append(badge(f"filled-{journal.fence}-{number}"))


def killed(path: Path, facts: int = 5) -> None:
    """A process that was killed right after its last acknowledgement: its write-ahead file stays."""
    code = "\n".join(line.removeprefix("    ") for line in KILLED.splitlines())
    done = subprocess.run(
        [sys.executable, "-c", code, str(path), str(facts)],
        cwd=Path(__file__).parents[2],
        timeout=30,
        check=False,
    )
    assert done.returncode < 0
    assert wal_path(path).stat().st_size > 0


def contents(folder: Path) -> dict[str, bytes]:
    """The index of the write-ahead file aside: whoever reads makes one."""
    return {one.name: one.read_bytes() for one in folder.iterdir() if not one.name.endswith("-shm")}


# While it is open


def _renamed(away: Path, back: Path) -> None:
    away.replace(back)


def moved(path: Path) -> Callable[[], None]:
    away = path.with_name("away")
    path.rename(away)
    return partial(_renamed, away, path)


def replaced(path: Path) -> Callable[[], None]:
    back = moved(path)
    path.write_bytes(b"")
    return back


def folder_renamed(path: Path) -> Callable[[], None]:
    away = path.parent.with_name("away")
    path.parent.rename(away)
    return partial(_renamed, away, path.parent)


@pytest.mark.parametrize("befall", [moved, replaced, folder_renamed])
@pytest.mark.parametrize("which", [lambda path: path, wal_path, shm_path, lock_path, newest_path])
async def test_a_file_that_is_not_in_its_place_ends_acknowledging_until_it_is_back(
    path: Path, befall: Callable[[Path], Callable[[], None]], which: Callable[[Path], Path]
) -> None:
    async with opened(path) as journal:
        await journal.append(badge("before"))
        put_back = befall(which(path))
        if which in {shm_path, lock_path}:
            await journal.look()  # twice a second; what is acknowledged does not lie in these
        for number in range(3):
            with pytest.raises(JournalUnavailable) as raised:
                await journal.append(badge(f"meanwhile-{number}"))
            assert raised.value.hindrance == "files-gone"
        assert str(which(path)) in await journal.look() or befall is folder_renamed
        assert "was moved to" in journal.trouble()
        assert journal.health().hindrance == "files-gone"
        put_back()
        assert await journal.look() == ""
        assert (await journal.append(badge("after"))).outcome == "stored"
        assert journal.health().hindrance is None
        # The first one after the damage may lie in the file already, unacknowledged.
        for number in range(3):
            assert (await journal.append(badge(f"meanwhile-{number}"))).outcome in {"stored", "duplicate"}
        assert await journal.count_facts() == 5


async def test_a_deleted_file_is_named_and_not_made_anew(path: Path) -> None:
    async with opened(path) as journal:
        await journal.append(badge("before"))
        path.unlink()
        assert "was deleted" in await journal.look()
        with pytest.raises(JournalUnavailable):
            await journal.append(badge("meanwhile"))
        with pytest.raises(JournalUnavailable):
            await journal.count_facts()
        assert not path.exists()
    assert not path.exists()


async def test_a_reader_never_opens_the_file_that_took_the_place_of_the_journal(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    await filled(other, 7)
    async with opened(path) as journal:
        await journal.append(badge("ours"))
        path.rename(path.with_name("away"))
        shutil.copy(other, path)
        with pytest.raises(JournalUnavailable):
            await journal.count_facts()
        path.unlink()
        path.with_name("away").rename(path)
        assert await journal.count_facts() == 1


@pytest.mark.parametrize(
    ("code", "hindrance", "words"),
    [
        (sqlite3.SQLITE_FULL, "no-space", "ENOSPC"),
        (sqlite3.SQLITE_IOERR_WRITE, "io-error", "EIO"),
        (sqlite3.SQLITE_IOERR_FSYNC, "io-error", "EIO"),
        (sqlite3.SQLITE_READONLY, "read-only", "EROFS"),
        (sqlite3.SQLITE_BUSY, "busy", "another process"),
    ],
)
async def test_why_nothing_is_stored_is_told_apart_until_something_is(
    path: Path, monkeypatch: pytest.MonkeyPatch, code: int, hindrance: str, words: str
) -> None:
    """The codes as sqlite.org/rescode.html gives them."""

    def fails(*_: object) -> None:
        error = sqlite3.OperationalError("told by the driver")
        error.sqlite_errorcode = code
        raise DBAPIError("COMMIT", {}, error)

    async with opened(path) as journal:
        with monkeypatch.context() as patched:
            patched.setattr(committing, "store_group", fails)
            patched.setattr(Committer, "probe", fails)
            with pytest.raises(JournalUnavailable) as raised:
                await journal.append(badge("one"))
            assert raised.value.hindrance == hindrance
            assert words in await journal.look()
            assert "told by the driver" in journal.trouble()
            assert journal.health().hindrance == hindrance
        assert await journal.look() == ""
        assert journal.health().hindrance is None


async def test_a_note_that_cant_be_written_acknowledges_nothing_and_is_written_later(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> int:
        raise OSError(errno.EIO, "told by the system")

    async with opened(path) as journal:
        with monkeypatch.context() as patched:
            patched.setattr(os, "pwrite", fails)
            for _ in range(2):
                with pytest.raises(JournalUnavailable) as raised:
                    await journal.append(badge("one"))
                assert raised.value.hindrance == "io-error"
        assert (await journal.append(badge("one"))).outcome == "duplicate"
        seen = read_newest(newest_path(path))
        assert seen is not None
        assert seen.newest is not None
        assert seen.newest.sequence == 1


# At the next start


async def test_after_a_kill_all_that_was_acknowledged_is_there(path: Path) -> None:
    for _ in range(2):
        killed(path)
    async with opened(path) as journal:
        assert await journal.count_facts() == 10


async def test_a_write_ahead_file_that_was_removed_after_a_kill_is_a_refused_start(path: Path) -> None:
    await filled(path)
    killed(path)
    wal_path(path).unlink()
    before = contents(path.parent)
    with pytest.raises(LostCommits, match="5 of 8 acknowledged facts are missing"):
        await SqlJournal.open(path, SystemClock())
    assert contents(path.parent) == before


async def test_any_flipped_bit_of_a_write_ahead_file_loses_nothing_in_silence(path: Path, tmp_path: Path) -> None:
    killed(path, 8)
    whole = wal_path(path).read_bytes()
    refused = 0
    for place in range(0, len(whole), len(whole) // 25):
        folder = tmp_path / f"at-{place}"
        shutil.copytree(path.parent, folder)
        damaged = bytearray(whole)
        damaged[place] ^= 1 << (place % 8)
        (folder / wal_path(path).name).write_bytes(damaged)
        try:
            async with opened(folder / path.name) as journal:
                assert await journal.count_facts() == 8
        except CantOpen:
            refused += 1
    assert refused >= 10


async def test_a_file_that_was_set_back_to_an_older_copy_is_a_refused_start(path: Path) -> None:
    await filled(path)
    copy = path.read_bytes()
    await filled(path)
    path.write_bytes(copy)
    with pytest.raises(LostCommits, match="3 of 6 acknowledged facts are missing"):
        await SqlJournal.open(path, SystemClock())


async def test_an_older_copy_in_which_no_fact_is_missing_is_refused_too(path: Path) -> None:
    await filled(path)
    copy = path.read_bytes()
    await filled(path, 0)
    path.write_bytes(copy)
    with pytest.raises(LostCommits, match="older copy"):
        await SqlJournal.open(path, SystemClock())


async def test_a_journal_of_another_site_is_refused(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    async with opened(other) as journal:
        for number in range(9):
            await journal.append(badge(f"other-{number}"))
    await filled(path)
    for _ in range(2):
        await filled(other, 0)
    shutil.copy(other, path)
    with pytest.raises(LostCommits, match="not the one that was acknowledged"):
        await SqlJournal.open(path, SystemClock())


async def test_who_accepts_the_loss_goes_on_and_it_is_a_fact(path: Path) -> None:
    await filled(path)
    killed(path)
    wal_path(path).unlink()
    async with opened(path, accept_loss=True) as journal:
        assert journal.fence == 3
        site = [stored.fact async for stored in journal.facts("")]
        assert [(one.loss, one.acknowledged, one.stored) for one in site if isinstance(one, LossAccepted)] == [
            ("fewer-facts", 8, 3)
        ]
        told = [one async for one in journal.badge_facts() if isinstance(one, LossAccepted)]
        assert len(told) == 1
    await filled(path)  # and from there on nothing is missing


async def test_an_accepted_loss_is_asked_for_again_where_the_start_died_before_it_was_a_fact(path: Path) -> None:
    await filled(path)
    copy = path.read_bytes()
    await filled(path)
    path.write_bytes(copy)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE instance SET fence = fence + 2")
    with pytest.raises(LostCommits):
        await SqlJournal.open(path, SystemClock())


async def test_the_fence_grows_over_an_older_copy_too(path: Path) -> None:
    await filled(path)
    copy = path.read_bytes()
    for _ in range(3):
        await filled(path)
    path.write_bytes(copy)
    async with opened(path, accept_loss=True) as journal:
        assert journal.fence == 5


async def test_accepting_a_loss_where_nothing_is_lost_records_nothing(path: Path) -> None:
    await filled(path)
    async with opened(path, accept_loss=True) as journal:
        assert await journal.count_facts() == 3


@pytest.mark.parametrize("trace", ["newest", "lock", "wal", "key"])
async def test_a_missing_journal_is_made_anew_only_on_demand(path: Path, trace: str) -> None:
    await filled(path)
    key = path.with_name("badge.key")
    key.write_text("00")
    kept = {"newest": newest_path(path), "lock": lock_path(path), "wal": wal_path(path), "key": key}[trace]
    if trace == "wal":
        kept.write_bytes(b"rest")
    for one in (path, newest_path(path), lock_path(path), wal_path(path), key):
        if one != kept:
            one.unlink(missing_ok=True)
    with pytest.raises(MissingJournal, match="--new") as raised:
        await SqlJournal.open(path, SystemClock(), beside=(key,))
    assert str(kept) in str(raised.value)
    assert not path.exists()
    if trace == "wal":
        with pytest.raises(MissingJournal, match="move it away first"):
            await SqlJournal.open(path, SystemClock(), new=True)
        return
    async with opened(path, new=True) as journal:
        losses = [stored.fact async for stored in journal.facts("")]
        expected = [("no-journal", 3, 0)] if trace == "newest" else []
        assert [(one.loss, one.acknowledged, one.stored) for one in losses if isinstance(one, LossAccepted)] == expected
    with pytest.raises(MissingJournal, match="there is one already"):
        await SqlJournal.open(path, SystemClock(), new=True)


async def test_a_start_that_never_came_to_its_end_needs_no_leave(path: Path) -> None:
    lock_path(path).touch()
    async with opened(path) as journal:
        assert journal.fence == 1


async def test_an_older_data_directory_gets_a_note(path: Path) -> None:
    await filled(path)
    newest_path(path).unlink()
    await filled(path, 0)
    seen = read_newest(newest_path(path))
    assert seen is not None
    assert seen.newest is not None
    assert (seen.newest.fence, seen.newest.sequence) == (2, 3)


async def test_a_refused_start_in_an_empty_file_says_what_is_missing(path: Path) -> None:
    await filled(path)
    path.write_bytes(b"")
    with pytest.raises(LostCommits, match="3 of 3"):
        await SqlJournal.open(path, SystemClock())


async def test_who_only_reads_is_never_refused_for_it(path: Path) -> None:
    await filled(path)
    copy = path.read_bytes()
    await filled(path)
    path.write_bytes(copy)
    async with await SqlReads.open_for_reading(path) as reads:
        assert await reads.count_facts() == 3


# The note itself


def test_a_torn_write_of_the_note_costs_the_newer_record_alone(path: Path) -> None:
    note = NewestFile.open(newest_path(path), None)
    for sequence in range(1, 6):
        note.write(Newest(1, sequence, "d" * 64))
    note.close()
    content = newest_path(path).read_bytes()
    assert len(content) == SLOTS * SLOT_BYTES
    torn = bytearray(content)
    newer = content.index(b" 5 1 5 ") // SLOT_BYTES * SLOT_BYTES
    torn[newer + 30 : newer + SLOT_BYTES] = bytes(SLOT_BYTES - 30)
    newest_path(path).write_bytes(torn)
    seen = read_newest(newest_path(path))
    assert seen is not None
    assert seen.newest == Newest(1, 4, "d" * 64)
    for place in range(len(content)):
        flipped = bytearray(content)
        flipped[place] ^= 1
        newest_path(path).write_bytes(flipped)
        seen = read_newest(newest_path(path))
        assert seen is not None
        assert seen.newest in {Newest(1, 4, "d" * 64), Newest(1, 5, "d" * 64)}


@pytest.mark.parametrize("content", [b"", b"\0" * 1024, b"word " * 200])
async def test_a_note_that_cant_be_read_is_a_refused_start(path: Path, content: bytes) -> None:
    await filled(path)
    newest_path(path).write_bytes(content)
    with pytest.raises(LostCommits, match="can't be read"):
        await SqlJournal.open(path, SystemClock())
    async with opened(path, accept_loss=True) as journal:
        assert await journal.count_facts() == 4
    await filled(path)


async def test_what_was_noted_is_fsynced_by_each_look_and_at_the_end(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    real = os.fdatasync

    def counted(descriptor: int) -> None:
        synced.append(descriptor)
        real(descriptor)

    monkeypatch.setattr(os, "fdatasync", counted)
    async with opened(path) as journal:
        await journal.look()
        assert len(synced) == 1
        await journal.look()
        assert len(synced) == 1
        await journal.append(badge("one"))
        await journal.look()
        assert len(synced) == 2
        await journal.append(badge("two"))
    assert len(synced) == 3
