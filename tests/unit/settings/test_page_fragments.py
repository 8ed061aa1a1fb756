"""Files that a page adds to the settings: whole or not there, over nothing that somebody else wrote."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.settings.importing import CantImport
from pagereeve.settings.page_fragments import fragment_folder, put, take_back, write_trouble


def config_in(folder: Path, include: str) -> Path:
    config = folder / "pagereeve.toml"
    config.write_text(f"include = {include}\n")
    config.chmod(0o640)
    return config


def test_a_new_file_has_the_mode_of_the_settings_and_replaces_nothing(tmp_path: Path) -> None:
    like = config_in(tmp_path, "[]").stat()
    target = tmp_path / "printers.d" / "added-hall.toml"
    put(target, b"one", None, like)
    assert (target.read_bytes(), target.stat().st_mode & 0o777) == (b"one", 0o640)
    with pytest.raises(CantImport, match="is there already"):
        put(target, b"two", None, like)
    assert target.read_bytes() == b"one"
    assert [one.name for one in target.parent.iterdir()] == ["added-hall.toml"]


def test_what_was_edited_since_the_plan_stays(tmp_path: Path) -> None:
    like = config_in(tmp_path, "[]").stat()
    target = tmp_path / "list.toml"
    target.write_bytes(b"edited")
    with pytest.raises(CantImport, match="changed meanwhile"):
        put(target, b"new", b"planned", like)
    assert target.read_bytes() == b"edited"
    put(target, b"new", b"edited", like)
    assert target.read_bytes() == b"new"


def test_what_is_taken_back_is_gone_or_as_before_unless_it_was_edited(tmp_path: Path) -> None:
    like = config_in(tmp_path, "[]").stat()
    target = tmp_path / "list.toml"
    put(target, b"new", None, like)
    take_back(target, b"new", None, like)
    assert not target.exists()
    target.write_bytes(b"old")
    put(target, b"new", b"old", like)
    take_back(target, b"new", b"old", like)
    assert target.read_bytes() == b"old"
    with pytest.raises(CantImport, match="look at it"):
        take_back(target, b"new", None, like)
    assert target.read_bytes() == b"old"
    target.unlink()
    with pytest.raises(CantImport, match="remove it yourself"):
        take_back(target, b"new", None, like)


@pytest.mark.parametrize(
    ("include", "folder"),
    [
        ("[]", "printers.d"),
        ('["printers.csv", "more/*.toml"]', "printers.d"),
        ('["printers.d/a*.toml", "*/printers.d/*.toml"]', "printers.d"),
        ('["lists.d/*.toml", "own/printers.d/*.toml", "printers.d/*.toml"]', "own/printers.d"),
        ('["own/../printers.d/*.toml"]', "printers.d"),
        ("[7]", "printers.d"),
    ],
)
def test_the_folder_is_one_that_the_settings_include_whole(tmp_path: Path, include: str, folder: str) -> None:
    assert fragment_folder(config_in(tmp_path, include)) == tmp_path / folder


def test_the_first_folder_where_this_process_may_write_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed = tmp_path / "closed"
    closed.write_text("a file where a folder is needed")
    config = config_in(tmp_path, '["closed/printers.d/*.toml", "open/printers.d/*.toml"]')
    assert write_trouble(closed / "printers.d") == f"{closed} is no folder"
    assert fragment_folder(config) == tmp_path / "open" / "printers.d"
    monkeypatch.setattr("os.access", lambda *_: False)
    assert write_trouble(tmp_path / "open" / "printers.d") == f"the daemon may not write into {tmp_path}"
    assert fragment_folder(config) == closed / "printers.d"
