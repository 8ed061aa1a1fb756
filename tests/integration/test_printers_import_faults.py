"""pagereeve printers import where something goes wrong: two at once, a full disk, links, a head that stands lower."""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from pagereeve.cli import status_of
from pagereeve.settings import load_settings

Run = Callable[..., tuple[int, str]]


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    (tmp_path / "p.toml").write_text('data_dir = "data"\ninclude = ["printers.d/*.toml", "lists/*.csv"]\n')

    def run_(text: str, *options: str) -> tuple[int, str]:
        (tmp_path / "list.csv").write_text(text)
        words = ["printers", "import", str(tmp_path / "list.csv"), "--config", str(tmp_path / "p.toml")]
        status = status_of([*words, *options])
        caught = capsys.readouterr()
        return status, caught.out + caught.err

    return run_


def names(folder: Path) -> list[str]:
    return [one.name for one in load_settings(folder / "p.toml", {}).printers]


def test_while_one_imports_another_waits_its_turn(tmp_path: Path, run: Run) -> None:
    folder = os.open(tmp_path, os.O_RDONLY)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        status, told = run("name,host\na,192.0.2.1\n")
        assert (status, names(tmp_path)) == (2, [])
        assert "another import into these settings is under way" in told
        assert run("name,host\na,192.0.2.1\n", "--dry-run")[0] == 0
    finally:
        os.close(folder)
    assert run("name,host\na,192.0.2.1\n")[0] == 0
    assert names(tmp_path) == ["a"]


def test_a_full_disk_is_said_with_the_file_and_leaves_what_was_there(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run("name,host\na,192.0.2.1\n")[0] == 0

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    status, told = run("name,host\na,192.0.2.1\nb,192.0.2.2\n")
    target = tmp_path / "printers.d" / "list.toml"
    assert (status, names(tmp_path)) == (2, ["a"])
    assert f"{target} can't be written (No space left on device); nothing was changed" in told
    assert list(target.parent.iterdir()) == [target]


def test_toml_is_not_written_where_csv_is_read(tmp_path: Path, run: Run) -> None:
    status, told = run("name,host\na,192.0.2.1\n", "--to", "lists/a.CSV")
    assert (status, (tmp_path / "lists").exists()) == (2, False)
    assert "would be read as CSV" in told


def test_a_link_stays_one_and_the_file_behind_it_is_written(tmp_path: Path, run: Run) -> None:
    (tmp_path / "printers.d").mkdir()
    link = tmp_path / "printers.d" / "list.toml"
    link.symlink_to(tmp_path / "kept.toml")
    assert run("name,host\na,192.0.2.1\n")[0] == 0
    assert run("name,host\na,192.0.2.9\n", "--to", "printers.d/../printers.d/list.toml")[0] == 0
    assert link.is_symlink()
    assert [one.host for one in load_settings(tmp_path / "p.toml", {}).printers] == ["192.0.2.9"]


@pytest.mark.parametrize(
    "text",
    ["sep=;\nname;host\na;192.0.2.1\n", "\n\nname,host\na,192.0.2.1\n", ";;\r\nSEP=,\r\nname,host\r\na,192.0.2.1\r\n"],
)
def test_what_spreadsheets_put_above_the_head_is_passed_over(tmp_path: Path, run: Run, text: str) -> None:
    status, told = run(text)
    assert (status, names(tmp_path)) == (0, ["a"]), told
    assert f"added    line {text.count(chr(10))} " in told


def test_a_head_that_lacks_a_column_is_named_by_its_line(run: Run) -> None:
    status, told = run("\nsep=,\nname,address\na,192.0.2.1\n")
    assert status == 2
    assert "line 3: the head names no column host" in told
