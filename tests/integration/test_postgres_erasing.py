"""A person is taken out of a journal in PostgreSQL: no byte of the name is left in its files, and the seal holds."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.app.replay import replay_store
from pagereeve.cli import status_of
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.journal import PostgresJournal
from tests.integration.postgres_server import Server, running
from tests.integration.test_erasing import BADGE, OTHER, OWNER, SHARED, fill_with_people
from tests.integration.test_postgres_daemon import journal_settings, settings_file


@pytest.fixture
def server(postgres: Server) -> Iterator[Server]:
    """One whose files can be read."""
    if postgres.data is not None:
        yield postgres
        return
    with running(None) as own:
        yield own


TEXTS = (OWNER, BADGE, "Payslip", "anise-queue")


async def fill(address: Address) -> str:
    journal = await PostgresJournal.open(address, SystemClock(), SystemEntropy())
    try:
        await fill_with_people(journal)
        await replay_store(journal, store=True)
        head = await journal.seal_head()
        assert head is not None
        return f"{head.size}:{head.head}\n"
    finally:
        await journal.close()


def files_of(postgres: Server, address: Address) -> bytes:
    """All that the server's files of this database say."""
    assert postgres.data is not None
    postgres.run("CHECKPOINT")
    number = postgres.run(f"SELECT oid FROM pg_database WHERE datname = '{address.database}'")
    return b"".join(one.read_bytes() for one in (postgres.data / "base" / number).iterdir())


def test_no_byte_of_the_person_is_left_in_its_files_and_the_seal_holds(
    server: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    database = server.new_database()
    config, heads = settings_file(journal_settings(database, tmp_path), tmp_path), tmp_path / "heads.txt"
    heads.write_text(asyncio.run(fill(database)))
    where = ["--config", str(config)]
    before = files_of(server, database)
    assert all(text.encode() in before for text in TEXTS)
    assert status_of(["erase", OWNER, "--yes", *where]) == 0
    said = capsys.readouterr()
    assert "local law" in said.err
    assert OWNER not in said.out
    after = files_of(server, database)
    assert [text for text in TEXTS if text.encode() in after] == []
    assert all(text.encode() in after for text in (OTHER, SHARED))
    assert status_of(["verify", "--head", str(heads), *where]) == 0
    assert status_of(["replay", "--check", *where]) == 0
    assert status_of(["erase", OWNER, "--yes", *where]) == 2
    assert "nothing in the journal names that owner" in capsys.readouterr().err
