"""Why a file beside the database can't be written or looked at is told apart, as of the database itself."""

from __future__ import annotations

import errno
import os
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.ports.journal import HINDRANCES, Hindrance, JournalUnavailable
from pagereeve.store.newest import SLOT_BYTES
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import badge


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.db"


@pytest.fixture
async def journal(path: Path) -> AsyncIterator[SqlJournal]:
    opened = await SqlJournal.open(path, SystemClock())
    yield opened
    await opened.close()


@pytest.mark.parametrize(
    ("number", "hindrance"),
    [
        (errno.ENOSPC, "no-space"),
        (errno.EDQUOT, "no-space"),
        (errno.EFBIG, "no-space"),
        (errno.EIO, "io-error"),
        (errno.ENXIO, "io-error"),
        (errno.EROFS, "read-only"),
        (errno.ESTALE, "files-gone"),
        (errno.EPERM, "other"),
    ],
)
async def test_errors_of_the_files_beside_the_database_are_told_apart_too(
    journal: SqlJournal, monkeypatch: pytest.MonkeyPatch, number: int, hindrance: Hindrance
) -> None:
    """open(2), write(2), fsync(2): by number, also where a write takes a part and the next one says why."""
    write = os.pwrite

    def takes_a_part(descriptor: int, content: bytes, place: int) -> int:
        if len(content) < SLOT_BYTES:
            raise OSError(number, "told by the system")
        return write(descriptor, content[:100], place)

    def fails(*_: object) -> None:
        raise OSError(number, "told by the system")

    for name, broken in (("one", fails), ("two", takes_a_part)):
        with monkeypatch.context() as patched:
            patched.setattr(os, "pwrite", broken)
            with pytest.raises(JournalUnavailable) as raised:
                await journal.append(badge(name))
            assert (raised.value.hindrance, journal.health().hindrance) == (hindrance, hindrance)
        assert (await journal.append(badge(name))).outcome == "duplicate"
    await journal.append(badge("three"))
    with monkeypatch.context() as patched:
        patched.setattr(os, "fdatasync", fails)
        assert HINDRANCES[hindrance] in await journal.look()
    assert await journal.look() == ""


async def test_a_file_that_cant_be_looked_at_is_not_said_to_be_gone(
    journal: SqlJournal, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    look = os.stat

    def fails(file: Any, *arguments: Any, **more: Any) -> os.stat_result:
        if file == str(path):
            raise OSError(errno.EIO, "told by the system")
        return look(file, *arguments, **more)

    with monkeypatch.context() as patched:
        patched.setattr(os, "stat", fails)
        with pytest.raises(JournalUnavailable) as raised:
            await journal.append(badge("one"))
        assert raised.value.hindrance == journal.health().hindrance == "io-error"
        assert "can't be looked at" in journal.trouble()
    assert await journal.look() == ""
