"""Copies of a journal in PostgreSQL: put back whole, they answer the same; an older one is recognised as such."""

from __future__ import annotations

import asyncio
import os
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.journals import open_alone
from pagereeve.app.replay import replay_store
from pagereeve.app.start_options import StartOptions
from pagereeve.cli import status_of
from pagereeve.domain.facts.facts import LossAccepted
from pagereeve.settings import Settings
from pagereeve.store.errors import CantOpen, LostCommits
from pagereeve.store.postgres.address import Address
from tests.histories import PRINTER, reading
from tests.integration.daemon import Outside, hasty_settings
from tests.integration.postgres_server import PROGRAMS, Server
from tests.integration.test_cli import FACTS
from tests.integration.test_postgres_daemon import journal_settings, settings_file

ASKED = (
    ("totals", "--period", "2026-11", "--by", "person"),
    ("ledger",),
    ("findings", "--all"),
    ("verify",),
)


@pytest.fixture
def other(postgres: Server) -> Iterator[Address]:
    address = postgres.new_database()
    yield address
    postgres.drop(address)


def program(name: str, address: Address, *options: str) -> None:
    where = ["-h", address.host, "-p", str(address.port), "-U", address.user or ""]
    argv = [str(PROGRAMS / name), *where, *options, "-d", address.database]
    done = subprocess.run(
        argv, capture_output=True, text=True, check=False, env={**os.environ, "PGPASSWORD": address.password or ""}
    )
    assert done.returncode == 0, done.stderr


def copied(source: Address, target: Address, folder: Path) -> None:
    """As contrib/docs/backup.md says."""
    dump = folder / "pagereeve.dump"
    program("pg_dump", source, "--format=custom", f"--file={dump}")
    program("pg_restore", target, "--exit-on-error", "--single-transaction", "--no-owner", str(dump))


def answers(config: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    said = []
    for asked in ASKED:
        capsys.readouterr()
        # 1 where findings are open.
        status = status_of([*asked, "--config", str(config)])
        assert status == (asked[0] == "findings"), asked
        said.append(capsys.readouterr().out)
    return said


async def filled(address: Address) -> None:
    async with open_alone(address, SystemClock(), may_make=True) as journal:
        for fact in FACTS:
            await journal.append(fact)
        await journal.observe(PRINTER, [], reading(1000, 2000, 1012))
        await replay_store(journal, store=True)


def settings_for(address: Address, folder: Path) -> Settings:
    return hasty_settings(folder / "data", [], journal=journal_settings(address, folder))


async def test_a_dump_that_is_put_back_is_verified_answers_the_same_and_a_daemon_goes_on_with_it(
    postgres_journal: Address, other: Address, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    await filled(postgres_journal)
    copied(postgres_journal, other, tmp_path)
    said = []
    for name, address in (("one", postgres_journal), ("two", other)):
        folder = tmp_path / name
        config = settings_file(journal_settings(address, folder), folder)
        said.append(await asyncio.to_thread(answers, config, capsys))
    assert all(said[0])
    assert said[0] == said[1]
    # The key of its badges, which these facts name, is not in the database: it is backed up apart.
    options = StartOptions(new_badge_key=True)
    async with App(settings_for(other, tmp_path), options=options) as app, Outside(app) as outside:
        assert (await outside.started("A", "elsewhere", 5)).status_code == 200
        assert app.store.health().sealed_facts > 0


async def test_an_older_copy_is_refused_by_the_machine_that_knows_more_until_the_loss_is_accepted(
    postgres: Server, postgres_journal: Address, other: Address, tmp_path: Path
) -> None:
    settings = settings_for(postgres_journal, tmp_path)
    async with App(settings) as app, Outside(app) as outside:
        assert (await outside.started("A", "elsewhere", 5)).status_code == 200
        copied(postgres_journal, other, tmp_path)
        for name in ("B", "C"):
            assert (await outside.started(name, "elsewhere", 5)).status_code == 200
        lost = app.store.health().sealed_facts
    put_back = settings_for(other, tmp_path)
    before = postgres.run("SELECT fence FROM instance", other.database)
    with pytest.raises(LostCommits, match=r"2 of \d+ acknowledged facts are missing, as .*journal-\w{12}\.newest says"):
        await App(put_back).__aenter__()
    assert postgres.run("SELECT fence FROM instance", other.database) == before
    async with App(put_back, options=StartOptions(accept_loss=True)) as app, Outside(app) as outside:
        await outside.finding("facts-lost", "")
        assert (await outside.started("B", "elsewhere", 5)).status_code == 200
    async with App(put_back) as app:
        losses = [one.fact for one in [one async for one in app.store.facts("")] if isinstance(one.fact, LossAccepted)]
    assert [(one.loss, one.acknowledged) for one in losses] == [("fewer-facts", lost)]
    # Another site's machine knows nothing of it, and the first database is whole as it was.
    async with App(settings_for(other, tmp_path / "elsewhere")) as app:
        assert app.store.health().alive


async def test_another_fact_in_the_place_of_the_acknowledged_one_is_refused(
    postgres_journal: Address, other: Address, tmp_path: Path
) -> None:
    async with App(settings_for(postgres_journal, tmp_path)) as app, Outside(app) as outside:
        copied(postgres_journal, other, tmp_path)
        assert (await outside.started("A", "elsewhere", 5)).status_code == 200
    # Somebody went on with the copy on another machine: as many facts, and one of them is not ours.
    for name in ("B", "C"):
        async with App(settings_for(other, tmp_path / "elsewhere")) as app, Outside(app) as outside:
            assert (await outside.started(name, "elsewhere", 5)).status_code == 200
    with pytest.raises(LostCommits, match="is not the one that was acknowledged"):
        await App(settings_for(other, tmp_path)).__aenter__()


async def test_new_is_refused_where_a_journal_is_and_wanted_where_one_was(
    postgres_journal: Address, other: Address, tmp_path: Path
) -> None:
    async with App(settings_for(postgres_journal, tmp_path)) as app, Outside(app) as outside:
        assert (await outside.started("A", "elsewhere", 5)).status_code == 200
    with pytest.raises(CantOpen, match="there is a journal in it already; start without --new"):
        await App(settings_for(postgres_journal, tmp_path), options=StartOptions(new=True)).__aenter__()
    empty = settings_for(other, tmp_path)
    with pytest.raises(CantOpen, match=r"is empty, though .*\.newest shows that a journal was in a database"):
        await App(empty).__aenter__()
    async with App(empty, options=StartOptions(new=True)) as app, Outside(app) as outside:
        await outside.finding("facts-lost", "")
    async with App(empty) as app:
        assert app.store.health().alive


async def test_a_file_s_commands_say_what_to_do_with_a_database(
    postgres_journal: Address, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = settings_file(journal_settings(replace(postgres_journal, port=9), tmp_path), tmp_path)
    for asked in (["backup", "x"], ["restore", "x"]):
        status = await asyncio.to_thread(status_of, [*asked, "--config", str(config)])
        assert status == 2
        said = capsys.readouterr().err
        assert "pg_dump" in said, (asked, said)
        assert "pagereeve verify" in said
