"""What tests of ``pagereeve move`` share: folders, their digests, what is asked of both journals."""

from __future__ import annotations

import hashlib
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from pagereeve.cli import status_of
from pagereeve.store.postgres.address import Address
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.integration.postgres_server import Server
from tests.integration.test_postgres_daemon import journal_settings, settings_file
from tests.integration.test_upgrade import unpacked

GONE_S: Final = 15.0


def digests(folder: Path) -> dict[str, str]:
    """Each file's content, and that there is no other."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


@dataclass
class Move:
    """Settings of the file and of the database, of one data folder."""

    file: Path
    database: Path
    address: Address
    capsys: pytest.CaptureFixture[str]

    @classmethod
    def of(cls, folder: Path, address: Address, capsys: pytest.CaptureFixture[str]) -> Move:
        (folder / "data").mkdir(exist_ok=True, mode=0o700)
        file = folder / "file.toml"
        file.write_text(f'data_dir = "{folder / "data"}"\n')
        return cls(file, settings_file(journal_settings(address, folder), folder), address, capsys)

    @property
    def data(self) -> Path:
        return self.file.parent / "data"

    @property
    def journal(self) -> Path:
        return self.data / JOURNAL_NAME

    def keep(self, revision: str) -> None:
        """What a version of before wrote, opened and closed by today's: its tables are of today, its rows projected."""
        self.data.rmdir()
        unpacked(revision, self.data)
        assert self.asked("replay", "--data-dir", str(self.data))[0] in {0, 1}

    def asked(self, *argv: str) -> tuple[int, str, str]:
        self.capsys.readouterr()
        status = status_of(argv)
        came = self.capsys.readouterr()
        return status, came.out, came.err

    def moved(self, *more: str) -> tuple[int, str, str]:
        return self.asked("move", *more, "--config", str(self.database))

    def both(self, *question: str) -> list[tuple[int, str, str]]:
        return [self.asked(*question, "--config", str(one)) for one in (self.file, self.database)]


def nobody_is_there(server: Server, address: Address) -> None:
    """The server has noticed that the other end was killed."""
    deadline = time.monotonic() + GONE_S
    there = f"SELECT count(*) FROM pg_stat_activity WHERE datname = '{address.database}'"
    while server.run(there) != "0":
        assert time.monotonic() < deadline
        time.sleep(0.05)
