"""``pagereeve move``: a journal in its file becomes one in PostgreSQL, and every answer of it is the same to the byte."""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.journals import open_alone
from pagereeve.cli import status_of
from pagereeve.store.postgres.address import Address
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.histories import PRINTER, SIMPLE, started
from tests.integration.postgres_server import Server
from tests.integration.test_postgres_daemon import journal_settings, settings_file
from tests.integration.test_upgrade import unpacked

KEPT = ("r0003-with-messages", "r0009", "r0015")
QUESTIONS = (
    *(("totals", "--by", by, "--format", form) for by in ("person", "cost-centre", "printer") for form in ("csv", "json")),
    ("totals", "--by", "release", "--format", "csv"),
    ("releases", "--format", "csv"),
    ("findings", "--all", "--json"),
    ("losses", "--format", "csv"),
    ("ledger",),
    ("facts",),
    ("closed", "--json"),
    ("changed", "--json"),
    ("decide", "list", "--json"),
    ("noted-readings", "--json"),
    ("people", "list", "--json"),
    ("credentials", "list", "--json"),
    ("alerts", "--json"),
    ("replay", "--check"),
    ("verify", "--json"),
)


@pytest.fixture
def new_database(postgres: Server) -> Iterator[Address]:
    address = postgres.new_database()
    yield address
    postgres.drop(address)


def digests(folder: Path) -> dict[str, str]:
    """Each file's content, and that there is no other."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def asked(capsys: pytest.CaptureFixture[str], *argv: str) -> tuple[int, str, str]:
    capsys.readouterr()
    status = status_of(argv)
    came = capsys.readouterr()
    return status, came.out, came.err


def of_file(folder: Path) -> Path:
    """Settings of the journal's file in ``folder / "data"``."""
    path = folder / "file.toml"
    path.write_text(f'data_dir = "{folder / "data"}"\n')
    return path


def opened_once(folder: Path) -> None:
    """As after a start and a stop of today's daemon: tables of today, all rows projected."""
    assert status_of(["replay", "--data-dir", str(folder)]) in {0, 1}


@pytest.mark.timeout(300)
@pytest.mark.parametrize("kept", KEPT)
def test_every_answer_is_the_same_to_the_byte_and_the_file_is_as_it_was(
    kept: str, tmp_path: Path, new_database: Address, capsys: pytest.CaptureFixture[str]
) -> None:
    unpacked(kept, tmp_path / "data")
    opened_once(tmp_path / "data")
    before = digests(tmp_path / "data")
    file, database = of_file(tmp_path), settings_file(journal_settings(new_database, tmp_path), tmp_path)
    status, out, err = asked(capsys, "move", "--config", str(database))
    assert (status, err) == (0, "")
    assert digests(tmp_path / "data") == before
    assert f"SHA-256 {before[JOURNAL_NAME]}" in out
    assert str(new_database.password) not in out
    for question in QUESTIONS:
        ours, theirs = (asked(capsys, *question, "--config", str(one)) for one in (file, database))
        assert ours == theirs, question
        assert ours[0] in {0, 1}, ours
    assert digests(tmp_path / "data") == before
    # It goes on where it was: one fact more, under the next number and the same seal.
    head = json.loads(asked(capsys, "verify", "--json", "--config", str(database))[1])["seal"]
    asyncio.run(one_more(new_database))
    status, out, _ = asked(
        capsys, "verify", "--json", "--head", f"{head['size']}:{head['head']}", "--config", str(database)
    )
    assert status == 0
    assert json.loads(out)["seal"]["size"] == head["size"] + 1


async def one_more(address: Address) -> None:
    async with open_alone(address, SystemClock()) as journal:
        await journal.append(started("one-more", 300, "=basil", SIMPLE))
        assert (await journal.release_facts("urn:a", "one-more")) is not None
    assert PRINTER
