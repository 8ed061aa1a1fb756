"""A daemon that is one of several has a name of its own, the same through all its lives."""

from __future__ import annotations

import re
import socket
import stat
from pathlib import Path

import pytest

from pagereeve.app.daemon_name import FILE_NAME, NAME_BYTES_MAX, daemon_name
from pagereeve.settings.errors import BadSettings


def test_a_name_is_made_once_and_kept(tmp_path: Path) -> None:
    name = daemon_name(tmp_path)
    assert daemon_name(tmp_path) == name
    assert stat.S_IMODE((tmp_path / FILE_NAME).stat().st_mode) == 0o600
    assert [one.name for one in tmp_path.iterdir()] == [FILE_NAME]
    (tmp_path / "other").mkdir()
    assert daemon_name(tmp_path / "other") != name


@pytest.mark.parametrize(
    ("machine", "begins"),
    [
        ("mill.example", "mill.example-"),
        ("old mill\n", "old-mill-"),
        ("", "daemon-"),
        ("é", "daemon-"),
        ("a" * 99, "a" * 60),
    ],
)
def test_it_begins_with_the_name_of_the_machine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, machine: str, begins: str
) -> None:
    monkeypatch.setattr(socket, "gethostname", lambda: machine)
    name = daemon_name(tmp_path)
    assert name.startswith(begins)
    assert re.fullmatch("[0-9a-f]{8}", name.rpartition("-")[2])
    assert len(name) <= NAME_BYTES_MAX
    assert daemon_name(tmp_path) == name


@pytest.mark.parametrize("content", [b"", b"two names", b"\xff", b"a" * (NAME_BYTES_MAX + 1), b"-x"])
def test_what_is_no_name_is_refused_and_says_what_to_do(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    with pytest.raises(BadSettings, match="delete it, and the start makes a new one"):
        daemon_name(tmp_path)
