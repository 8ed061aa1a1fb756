"""`pagereeve backup` and `pagereeve restore` as commands: what they say, their statuses, and the badge key."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pagereeve.app.badge_key import check_value
from pagereeve.store.sqlite.backup.taking import take_backup
from tests.integration.backups import (
    CLOCK,
    KEY,
    command,
    facts_of,
    fill,
    site,
)


async def test_nothing_is_overwritten_by_accident(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(5))
    target.write_text("precious")
    folder = ["--data-dir", str(path.parent)]
    assert await command(["backup", str(target), *folder]) == 2
    assert "is there already" in capsys.readouterr().err
    assert target.read_text() == "precious"
    assert await command(["backup", str(target), "--replace", *folder]) == 0
    assert await command(["backup", str(path), "--replace", *folder]) == 2
    assert await command(["backup", str(tmp_path / "nowhere" / "b"), *folder]) == 2
    assert await command(["backup", str(tmp_path), *folder]) == 2
    assert await command(["restore", str(path), *folder]) == 2
    assert await command(["restore", str(tmp_path / "nowhere"), *folder]) == 2
    assert len(await facts_of(path)) == 6


async def test_the_commands_say_what_they_did(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(30), key=True)
    folder = ["--data-dir", str(path.parent)]
    assert await command(["backup", str(target), *folder]) == 0
    text = capsys.readouterr().out
    assert "36 facts on 3 timelines, the newest of 2026-01-01T12:00:00" in text
    assert "The badge key is not in it (its id is " in text
    assert await command(["backup", str(target), "--json", "--replace", *folder]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["facts"], said["timelines"], said["badge_key"]) == (36, 3, False)
    assert said["badge_key_id"] == check_value(KEY.encode())
    assert said["size_bytes"] == target.stat().st_size
    assert KEY not in str(said)
    other = tmp_path / "elsewhere"
    # The journal is there, and its key is not.
    assert await command(["restore", str(target), "--json", "--data-dir", str(other)]) == 1
    out = capsys.readouterr()
    assert json.loads(out.out)["facts"] == 36
    assert "badge.key is gone" in out.err
    assert (other.stat().st_mode & 0o777) == 0o700


async def test_the_badge_key_goes_along_where_it_is_wanted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, target = site(tmp_path / "live"), tmp_path / "backup"
    await fill(path, range(30), key=True)
    assert KEY.encode() not in await plain(path, tmp_path)
    assert await command(["backup", str(target), "--with-badge-key", "--data-dir", str(path.parent)]) == 0
    assert "The badge key is in it" in capsys.readouterr().out
    other = tmp_path / "elsewhere"
    other.mkdir(mode=0o700)
    (other / "badge.key").write_text("another" * 9)
    assert await command(["restore", str(target), "--data-dir", str(other)]) == 0
    assert (other / "badge.key").read_text() == KEY
    assert (other / "badge.key").stat().st_mode & 0o777 == 0o600
    assert (other / "badge.key.aside-1").read_text() == "another" * 9
    path.with_name("badge.key").write_text("another" * 9)
    assert await command(["backup", str(tmp_path / "b2"), "--with-badge-key", "--data-dir", str(path.parent)]) == 2
    assert "another key than this journal's" in capsys.readouterr().err
    assert not (tmp_path / "b2").exists()


async def plain(path: Path, folder: Path) -> bytes:
    take_backup(path, folder / "plain", CLOCK)
    return (folder / "plain").read_bytes()
