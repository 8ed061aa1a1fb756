"""`pagereeve doctor` where it may not look, where folders have odd names, where its notes are damaged."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from pagereeve.app.backup_trace import NAME as BACKUP
from pagereeve.app.backup_trace import last_backup_us
from pagereeve.app.installation import examine
from pagereeve.app.settings_trace import NAME as RUNNING
from pagereeve.app.settings_trace import waiting_settings
from pagereeve.reports.doctor import complaints_of
from pagereeve.settings import load_settings
from pagereeve.store.sqlite.files import JOURNAL_NAME

CODE = "from pagereeve.cli import main; main()"
# Root may look everywhere; without these it is as any other user.
AS_NOBODY = ["setpriv", "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-dac_override,-dac_read_search"]


def site(folder: Path, more: str = "") -> Path:
    config = folder / "pagereeve.toml"
    (folder / "data").mkdir(mode=0o700)
    config.write_text(f'data_dir = "data"\n[http]\nlisten = "127.0.0.1:9"\n{more}')
    return config


def test_a_folder_that_the_user_may_not_see_is_named_and_all_else_is_looked_at(tmp_path: Path) -> None:
    config = site(tmp_path)
    (tmp_path / "data" / JOURNAL_NAME).touch()
    (tmp_path / "data").chmod(0)
    try:
        words = [sys.executable, "-c", CODE, "doctor", "--config", str(config)]
        argv = [*AS_NOBODY, *words] if os.geteuid() == 0 else words
        asked = subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)
    finally:
        (tmp_path / "data").chmod(0o700)
    assert (asked.returncode, asked.stderr) == (1, "")
    assert f"The data folder {tmp_path / 'data'} can't be read and written by the user who asks." in asked.stdout
    assert "ask as root or as that user" in asked.stdout
    assert "(not to be seen, " in asked.stdout
    assert "No daemon answers" in asked.stdout


def test_a_secret_that_is_gone_is_named_by_its_setting(tmp_path: Path) -> None:
    config = site(tmp_path, '[[printers]]\nname = "hall"\nhost = "127.0.0.1"\ncommunity_file = "gone"\n')
    words = [sys.executable, "-c", CODE, "doctor", "--config", str(config)]
    asked = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)
    assert asked.returncode == 1
    assert f"printer hall: its secrets: community_file: {tmp_path / 'gone'} can't be read" in asked.stdout


async def test_an_authoritys_certificate_is_no_secret(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("anybody may read it\n")
    (tmp_path / "ca.pem").chmod(0o644)
    (tmp_path / "community").write_text("invented\n")
    (tmp_path / "community").chmod(0o644)
    more = '[[printers]]\nname = "p"\nhost = "127.0.0.1"\nipp_port = 631\nipp_tls = true\nipp_ca_file = "ca.pem"\n'
    settings = load_settings(site(tmp_path, f'{more}community_file = "community"\n'), {})
    seen = await examine(settings, [], settings.data_dir / JOURNAL_NAME)
    assert seen.readable == (str(tmp_path / "community"),)


async def test_a_command_to_paste_holds_for_a_folder_of_odd_name(tmp_path: Path) -> None:
    odd = tmp_path / "a; b 'c' $(d)"
    odd.mkdir()
    settings = load_settings(site(odd), {})
    settings.data_dir.chmod(0o755)
    seen = await examine(settings, [], settings.data_dir / JOURNAL_NAME)
    (advised,) = [one.do for one in complaints_of(seen) if "can read" in one.what]
    assert shlex.split(advised) == ["chmod", "o=", str(settings.data_dir)]


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"{",
        b"[]",
        b"\xff" * 300,
        b'{"at_us": 1e999, "digests": {}}',
        b'{"at_us": 1, "digests": 3}',
        b"[" * 100_000,
    ],
)
def test_damaged_notes_beside_the_journal_are_as_none(tmp_path: Path, damage: bytes) -> None:
    settings = load_settings(site(tmp_path), {})
    for name in (RUNNING, BACKUP):
        (settings.data_dir / name).write_bytes(damage)
    assert not waiting_settings(settings)
    assert last_backup_us(settings.data_dir) is None
