"""The badge key: whole or not there whatever step the power fails at, and the journal's own or no start."""
# ruff: noqa: ASYNC240 - a test has nothing else to do while it looks at a file

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.badge_key import badge_key, check_value, key_trouble
from pagereeve.app.badge_key_file import KEY_BYTES, BadBadgeKey, FileLayer, make_key, read_key
from pagereeve.domain.facts.facts import Bound, Fact
from pagereeve.store.memory.journal import MemoryJournal
from tests.journal_samples import badge, started

KEY = "0123456789abcdef" * 4
OTHER = "fedcba9876543210" * 4
BOUND = Bound(0, "b-1", "user-anise", 0)


class PowerCut(Exception):
    pass


class CutDisk(FileLayer):
    """A disk that keeps no more than it must: content that was synced, names of a folder that was synced.

    The power fails before call number ``cut_at``, counted from 0. ``names_last``: the disk wrote the names by itself,
    though nobody asked, as ext4 does before the content.
    """

    def __init__(self, folder: Path, cut_at: int, *, names_last: bool) -> None:
        self.calls = 0
        self._folder = folder
        self._cut_at = cut_at
        self._names_last = names_last
        self._names: set[str] = {path.name for path in folder.iterdir()}
        self._content: dict[int, bytes] = {}
        self._open: dict[int, Path] = {}

    def _step(self) -> None:
        if self.calls == self._cut_at:
            raise PowerCut
        self.calls += 1

    def remove(self, path: Path) -> None:
        self._step()
        super().remove(path)

    def create(self, path: Path) -> int:
        self._step()
        handle = super().create(path)
        self._open[handle] = path
        return handle

    def write(self, handle: int, content: bytes) -> None:
        self._step()
        super().write(handle, content)

    def sync(self, handle: int) -> None:
        self._step()
        self._content[os.fstat(handle).st_ino] = self._open[handle].read_bytes()

    def link(self, draft: Path, path: Path) -> None:
        self._step()
        super().link(draft, path)

    def sync_folder(self, folder: Path) -> None:
        self._step()
        self._names = {path.name for path in folder.iterdir()}

    def power_back(self) -> None:
        for path in self._folder.iterdir():
            path.write_bytes(self._content.get(path.stat().st_ino, b""))
            if path.name not in self._names and not self._names_last:
                path.unlink()


def hasty_make_key(path: Path, layer: FileLayer) -> None:
    """As it was once: no sync at all."""
    handle = layer.create(path)
    layer.write(handle, KEY.encode())
    layer.close(handle)


def cut_at_each_step(folder: Path, make: Callable[[Path, FileLayer], None], *, names_last: bool) -> list[bytes | None]:
    """What is found at the key's name after a cut before each step, and after the last."""
    found: list[bytes | None] = []
    for cut_at in range(100):
        home = folder / str(cut_at)
        home.mkdir()
        disk = CutDisk(home, cut_at, names_last=names_last)
        try:
            make(home / "badge.key", disk)
        except PowerCut:
            ended = False
        else:
            ended = True
        disk.power_back()
        path = home / "badge.key"
        found.append(path.read_bytes() if path.exists() else None)
        if ended:
            return found
    raise AssertionError("it never came to its end")


@pytest.mark.parametrize("names_last", [False, True])
async def test_a_power_cut_at_any_step_leaves_a_whole_key_or_none(tmp_path: Path, names_last: bool) -> None:
    found = cut_at_each_step(tmp_path, make_key, names_last=names_last)
    assert len(found) > 6
    assert all(one is None or len(bytes.fromhex(one.decode())) == KEY_BYTES for one in found)
    assert found[-1] is not None
    for number, one in enumerate(found):
        home = tmp_path / str(number)
        key = await badge_key(home / "badge.key", MemoryJournal())
        assert one in {None, key}
        assert [path.name for path in home.iterdir()] == ["badge.key"]


def test_the_disk_finds_out_who_does_not_sync(tmp_path: Path) -> None:
    assert b"" in cut_at_each_step(tmp_path, hasty_make_key, names_last=True)


def test_a_key_is_its_owners_alone_whatever_the_umask(tmp_path: Path) -> None:
    path = tmp_path / "badge.key"
    before = os.umask(0o777)
    try:
        make_key(path)
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert len(bytes.fromhex(read_key(path).decode())) == KEY_BYTES


def test_a_key_that_is_there_is_never_replaced(tmp_path: Path) -> None:
    path = tmp_path / "badge.key"
    keep(path, KEY)
    make_key(path)
    assert path.read_text() == KEY


def test_a_folder_that_takes_no_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadBadgeKey, match=r"nowhere/badge\.key: can't be made .*openssl rand"):
        make_key(tmp_path / "nowhere" / "badge.key")


def keep(path: Path, text: str, mode: int = 0o600) -> None:
    path.write_text(text)
    path.chmod(mode)


async def journal_of(*facts: Fact, key: str = "") -> MemoryJournal:
    journal = MemoryJournal()
    for fact in facts:
        await journal.append(fact)
    if key:
        await journal.keep_key_check("badge", check_value(key.encode()))
    return journal


async def test_the_journal_remembers_which_key_is_its_own(tmp_path: Path) -> None:
    path, journal = tmp_path / "badge.key", MemoryJournal()
    key = await badge_key(path, journal)
    kept = await journal.key_check("badge")
    assert kept == check_value(key)
    assert key.decode() not in str(kept)
    await journal.append(badge("e1"))
    assert await badge_key(path, journal) == key


async def test_a_journal_of_before_adopts_the_key_that_it_has(tmp_path: Path) -> None:
    path, journal = tmp_path / "badge.key", await journal_of(badge("e1"))
    keep(path, f"{KEY}\n")
    assert await badge_key(path, journal) == KEY.encode()
    assert await journal.key_check("badge") == check_value(KEY.encode())


BAD = [
    (None, "is gone, and the journal holds badges"),
    ("", "is empty"),
    ("\0" * 64, "holds no key"),
    (KEY[:31], "is too short: 31 bytes, 32 at least"),
    (KEY[:40], "is another key than the one"),
    (OTHER, "is another key than the one"),
    ("k" * 5_000, "is longer than 4096 bytes"),
]


@pytest.mark.parametrize(
    "fact", [badge("e1"), replace(started("e1"), badge="b-1"), BOUND], ids=["badge", "release", "bound"]
)
@pytest.mark.parametrize(("content", "problem"), BAD)
async def test_another_key_than_the_journals_stops_the_start(
    tmp_path: Path, content: str | None, problem: str, fact: Fact
) -> None:
    path, journal = tmp_path / "badge.key", await journal_of(fact, key=KEY)
    if content is not None:
        keep(path, content)
    with pytest.raises(BadBadgeKey) as refused:
        await badge_key(path, journal)
    text = str(refused.value)
    assert str(path) in text
    assert problem in text
    assert "from the backup" in text
    assert not content or content not in text
    assert path.exists() is (content is not None)
    assert await journal.key_check("badge") == check_value(KEY.encode())


@pytest.mark.parametrize(("content", "problem"), BAD)
def test_doctor_says_so_before_the_next_start_is_refused(tmp_path: Path, content: str | None, problem: str) -> None:
    path, known = tmp_path / "badge.key", check_value(KEY.encode())
    assert key_trouble(path, None) == ""
    if content is not None:
        keep(path, content)
    assert key_trouble(path, known).startswith(problem[:7])
    keep(path, KEY)
    assert key_trouble(path, known) == ""


async def test_before_the_first_badge_a_key_may_go_and_another_may_come(tmp_path: Path) -> None:
    path, journal = tmp_path / "badge.key", await journal_of(started("e1"), key=KEY)
    new = await badge_key(path, journal)
    assert await journal.key_check("badge") == check_value(new)
    keep(path, OTHER)
    assert await badge_key(path, journal) == OTHER.encode()
    assert await journal.key_check("badge") == check_value(OTHER.encode())
    keep(path, "")
    with pytest.raises(BadBadgeKey, match="is empty; no badge is stored yet: delete"):
        await badge_key(path, journal)


@pytest.mark.parametrize(("mode", "refused"), [(0o600, False), (0o440, False), (0o604, True), (0o620, True)])
async def test_a_key_that_others_can_read_or_change_is_refused(tmp_path: Path, mode: int, refused: bool) -> None:
    path = tmp_path / "badge.key"
    keep(path, KEY, mode)
    if not refused:
        assert await badge_key(path, MemoryJournal()) == KEY.encode()
        return
    with pytest.raises(BadBadgeKey, match=rf"mode {mode:04o}\); chmod 600 "):
        await badge_key(path, MemoryJournal())


@pytest.mark.parametrize("content", ["", OTHER, None])
async def test_a_person_may_give_a_lost_key_up(tmp_path: Path, content: str | None) -> None:
    path, journal = tmp_path / "badge.key", await journal_of(badge("e1"), key=KEY)
    if content is not None:
        keep(path, content)
    key = await badge_key(path, journal, renew=True)
    assert key != OTHER.encode()
    assert await badge_key(path, journal) == key
    assert await badge_key(path, journal, renew=True) == key
    left: Any = sorted(one.read_text() for one in tmp_path.glob("badge.key.aside-*"))
    assert left == ([] if content is None else [content])
