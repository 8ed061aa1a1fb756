"""What waits for a reload or a restart, from a note of digests beside the journal."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from pagereeve.app.backup_trace import last_backup_us, note_backup
from pagereeve.app.settings_trace import NAME, WaitingSettings, note_settings, waiting_settings
from pagereeve.settings import Settings, load_settings

BASE = """
[http]
token_files = []
[[gateways]]
name = "g"
host = "192.0.2.1"
[[printers]]
name = "a"
host = "192.0.2.1"
community = "a-secret-word"
[[printers]]
name = "b"
host = "192.0.2.2"
"""
AT_US = 1_764_000_000_000_000


def settings(folder: Path, text: str = BASE) -> Settings:
    path = folder / "pagereeve.toml"
    path.write_text(f'data_dir = "{folder}"\n{text}')
    return load_settings(path, {})


def test_nothing_waits_where_nothing_changed_and_no_secret_is_noted(tmp_path: Path) -> None:
    note_settings(settings(tmp_path), AT_US)
    assert waiting_settings(settings(tmp_path)) == WaitingSettings()
    noted = tmp_path / NAME
    assert stat.S_IMODE(noted.stat().st_mode) == 0o600
    assert "a-secret-word" not in noted.read_text()


@pytest.mark.parametrize(
    ("text", "by_reload", "by_restart"),
    [
        (BASE + '[[printers]]\nname = "c"\nhost = "192.0.2.3"\n', ("printer c (new)",), ()),
        (BASE.replace('name = "b"', 'name = "d"'), ("printer b (removed)", "printer d (new)"), ()),
        (BASE.replace('host = "192.0.2.2"', 'host = "192.0.2.4"'), ("printer b (changed)",), ()),
        (BASE.replace("[http]", '[http]\nlisten = "127.0.0.1:9000"'), (), ("http.listen",)),
        (BASE.replace("[http]", '[http]\nnames = ["x.example"]'), ("http.names",), ()),
        (BASE + '[policy]\nsettle = "20s"\n[log]\nlevel = "debug"\n', ("policy",), ("log.level",)),
        (BASE + '[badges]\nkey_file = "k"\ntravel = "1s"\n', ("badges.travel",), ("badges.key_file",)),
    ],
)
def test_what_differs_is_told_by_what_it_takes(
    tmp_path: Path, text: str, by_reload: tuple[str, ...], by_restart: tuple[str, ...]
) -> None:
    note_settings(settings(tmp_path), AT_US)
    assert waiting_settings(settings(tmp_path, text)) == WaitingSettings(by_reload, by_restart)


def test_a_list_that_is_newer_waits_too(tmp_path: Path) -> None:
    (tmp_path / "people.csv").write_text("owner,cost_centre,from\n")
    text = BASE + '[people]\nfile = "people.csv"\n'
    note_settings(settings(tmp_path, text), AT_US)
    os.utime(tmp_path / "people.csv", (AT_US / 1e6 - 5, AT_US / 1e6 - 5))
    assert not waiting_settings(settings(tmp_path, text))
    os.utime(tmp_path / "people.csv", (AT_US / 1e6 + 5, AT_US / 1e6 + 5))
    assert waiting_settings(settings(tmp_path, text)).files == (str(tmp_path / "people.csv"),)


@pytest.mark.parametrize(
    "content", ["", "{}", '{"at_us": 1}', '{"at_us": "x", "digests": {}}', "[]", '{"at_us":1,"digests":3}']
)
def test_a_note_that_is_none_says_nothing(tmp_path: Path, content: str) -> None:
    (tmp_path / NAME).write_text(content)
    assert not waiting_settings(settings(tmp_path))


def test_a_folder_that_is_gone_stops_nothing(tmp_path: Path) -> None:
    given = settings(tmp_path, BASE).model_copy(update={"data_dir": tmp_path / "gone"})
    note_settings(given, AT_US)
    assert not waiting_settings(given)


def test_a_backup_is_remembered_and_what_is_no_date_is_none(tmp_path: Path) -> None:
    assert last_backup_us(tmp_path) is None
    assert note_backup(tmp_path, AT_US) == ""
    assert last_backup_us(tmp_path) == AT_US
    (tmp_path / "backup.last").write_text("soon")
    assert last_backup_us(tmp_path) is None
    assert "can't be written" in note_backup(tmp_path / "gone", AT_US)
