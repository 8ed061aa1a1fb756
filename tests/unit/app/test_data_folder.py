"""The data folder is its owner's alone."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from pagereeve.app.data_folder import prepare_folder


def mode_of(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.parametrize("umask", [0o000, 0o022, 0o077, 0o777])
def test_a_new_folder_is_closed_whatever_the_umask(tmp_path: Path, umask: int) -> None:
    before = os.umask(umask)
    try:
        assert list(prepare_folder(tmp_path / "data")) == []
    finally:
        os.umask(before)
    assert mode_of(tmp_path / "data") == 0o700


def test_a_folder_that_is_there_keeps_its_mode_and_its_files_are_closed(tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    for name in ("journal.sqlite", "journal.sqlite-wal", "journal.sqlite.lock", "people.csv"):
        (tmp_path / name).write_text("")
        (tmp_path / name).chmod(0o644)
    [warning] = prepare_folder(tmp_path)
    assert "mode 0755" in warning
    assert f"chmod 700 {tmp_path}" in warning
    modes = {path.name: mode_of(path) for path in tmp_path.iterdir()}
    assert modes == {
        "journal.sqlite": 0o600,
        "journal.sqlite-wal": 0o600,
        "journal.sqlite.lock": 0o600,
        "people.csv": 0o644,
    }
    tmp_path.chmod(0o700)
    assert list(prepare_folder(tmp_path)) == []
