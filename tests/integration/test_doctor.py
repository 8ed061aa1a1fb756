"""`pagereeve doctor` beside a healthy daemon, and where troubles were planted."""

from __future__ import annotations

import asyncio
import json
import os
import sqlite3
import sys
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.demo.relay_process import relay_process, relayed
from pagereeve.domain.alerts.telling import trial
from pagereeve.domain.facts.facts import ReadFailed
from pagereeve.domain.facts.reading import Silence, SilenceReason
from pagereeve.ports.outbox import Announcement
from pagereeve.settings import load_settings
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.daemon import until
from tests.integration.test_service_manager import free_ports

CONFIG = """
data_dir = "{folder}/data"
[http]
listen = "127.0.0.1:{port}"
[watch]
baseline = "1s"
sleeper_backoff_max = "2s"
read_timeout = "300ms"
poll_first = "100ms"
poll_longest = "1s"
"""
PRINTER = """
[[printers]]
name = "{name}"
host = "127.0.0.1"
port = {port}
"""
DAY_US = 86_400_000_000


@pytest.fixture
async def fleet() -> AsyncIterator[Fleet]:
    printers = Fleet(2, SystemClock())
    await printers.start()
    yield printers
    await printers.stop()


def config_of(folder: Path, port: int, printers: dict[str, int], more: str = "") -> Path:
    file = folder / "pagereeve.toml"
    tables = "".join(PRINTER.format(name=name, port=door) for name, door in printers.items())
    file.write_text(CONFIG.format(folder=folder, port=port) + more + tables)
    return file


def ports_of(fleet: Fleet) -> dict[str, int]:
    return {name: port for name, (_, port) in fleet.addresses().items()}


async def doctor(config: Path, *options: str) -> tuple[int, str]:
    code = "from pagereeve.cli import main; main()"
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        *("-c", code, "doctor", "--config", str(config), *options),
        env={name: value for name, value in os.environ.items() if not name.startswith("PAGEREEVE_")},
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    async with asyncio.timeout(60):
        out, err = await process.communicate()
    return process.returncode or 0, (out + err).decode()


async def complaints(config: Path) -> dict[str, str]:
    """What is wrong, by its first words."""
    status, text = await doctor(config, "--json")
    told = json.loads(text)["complaints"]
    assert status == (1 if told else 0)
    return {one["what"][:14]: one["what"] for one in told}


async def all_read(app: App) -> None:
    async def look() -> bool | None:
        return all(watcher.last is not None for watcher in app.registry.watchers.values()) or None

    await until(look, "a read of each printer")
    await asyncio.sleep(0.3)


async def test_a_healthy_daemon_has_nothing_wrong(tmp_path: Path, fleet: Fleet) -> None:
    config = config_of(tmp_path, free_ports(1)[0], ports_of(fleet))
    async with App(load_settings(config), first_reads_spread_s=0.1) as app:
        await all_read(app)
        status, text = await doctor(config)
    assert (status, text.splitlines()[0]) == (0, "Nothing is wrong."), text


async def test_a_stopped_daemon_is_the_first_thing_told(tmp_path: Path, fleet: Fleet) -> None:
    config = config_of(tmp_path, free_ports(1)[0], ports_of(fleet))
    async with App(load_settings(config), first_reads_spread_s=0.1) as app:
        await all_read(app)
    status, text = await doctor(config)
    assert status == 1
    lines = text.splitlines()
    assert lines[0] == "One thing is wrong."
    assert lines[2].startswith("1. CRITICAL  No daemon answers at 127.0.0.1:")
    assert lines[4].startswith("   What to do: Start it")


async def test_a_relay_that_is_away_is_told_and_one_that_works_is_not(tmp_path: Path, fleet: Fleet) -> None:
    relay = '[[gateways]]\nname = "g"\n[[relays]]\nname = "badges"\ngateway = "g"\nlisten = "127.0.0.1:0"\n'
    more = f'{relay}forward_to = "127.0.0.1:1"\n'
    config = config_of(tmp_path, free_ports(1)[0], ports_of(fleet), more)
    settings = load_settings(config)
    async with App(settings, first_reads_spread_s=0.1) as app:
        await all_read(app)
        told = await complaints(config)
        assert list(told) == ["No relay answe"]
        async with relay_process(settings):
            await relayed(app.feeds, ("badges",))
            assert await complaints(config) == {}


async def test_a_new_installation_misses_its_daemon_and_printers_and_not_yet_its_folder(tmp_path: Path) -> None:
    told = await complaints(config_of(tmp_path, free_ports(1)[0], {}))
    assert set(told) == {"No daemon answ", "The settings n"}


async def test_a_folder_that_is_gone_while_the_daemon_runs(tmp_path: Path, fleet: Fleet) -> None:
    config = config_of(tmp_path, free_ports(1)[0], ports_of(fleet))
    async with App(load_settings(config), first_reads_spread_s=0.1) as app:
        await all_read(app)
        (tmp_path / "data").rename(tmp_path / "moved")
        told = await complaints(config)
        assert "is gone, though a daemon runs" in told["The data folde"]
        assert "part disk: the folder of the journal can't be looked at" in told["The daemon is "]
        (tmp_path / "moved").rename(tmp_path / "data")


async def test_planted_troubles_are_each_found(tmp_path: Path, fleet: Fleet) -> None:
    (silent,) = free_ports(1)
    token = tmp_path / "token"
    token.write_text("an-invented-token-that-reads")
    token.chmod(0o644)
    old = tmp_path / "old-token"
    old.write_text("an-invented-token-of-before")
    old.chmod(0o600)
    more = f'[[http.credentials]]\nname = "desk"\nacts = ["read"]\ntoken_file = "{token}"\n'
    more += (
        f'[[http.credentials]]\nname = "old"\nacts = ["send"]\ntoken_file = "{old}"\nexpires = 2026-01-01T00:00:00Z\n'
    )
    config = config_of(tmp_path, free_ports(1)[0], ports_of(fleet) | {"attic": silent})
    config.write_text(config.read_text().replace("[watch]", more + "[watch]"))
    settings = load_settings(config)
    async with App(settings, first_reads_spread_s=0.1) as app:
        await all_read(app)
        settings.badge_key_file.chmod(0o644)
        settings.data_dir.chmod(0o755)
        app.supervisor.start("invented", "an invented task", lambda: asyncio.sleep(0), forever=True)
        told = await complaints(config)
        assert "part tasks" in told["The daemon is "]
        assert "an invented task fails since" in told["The daemon is "]
        assert told["One printer ha"] == "One printer has never sent a reading: attic (refused)."
        assert str(settings.badge_key_file) in told["Every user of "]
        assert str(settings.data_dir) + "," in told["Every user of "]
        assert str(token) in told["Every user of "]
        assert told["A credential h"] == "A credential has expired: old."
        assert "invented-token" not in (await doctor(config))[1]


async def test_a_long_silence_a_clock_set_back_and_a_held_write_ahead_file(tmp_path: Path, fleet: Fleet) -> None:
    config = config_of(tmp_path, free_ports(1)[0], ports_of(fleet))
    folder = tmp_path / "data"
    folder.mkdir()
    now_us = SystemClock().now_us()
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    failure = Silence(now_us + DAY_US, now_us + DAY_US, 1, SilenceReason.ASLEEP, "")
    await journal.observe("fleet-0001", [ReadFailed("fleet-0001", failure)], ReadFailed("fleet-0001", failure))
    await journal.close()
    holder, writer = (sqlite3.connect(folder / JOURNAL_NAME, isolation_level=None) for _ in range(2))
    try:
        holder.execute("BEGIN")
        holder.execute("SELECT count(*) FROM fact").fetchone()
        writer.execute("CREATE TABLE ballast (bytes BLOB)")
        writer.execute("INSERT INTO ballast VALUES (zeroblob(?))", (70 * 2**20,))
        told = await complaints(config)
    finally:
        holder.close()
        writer.close()
    assert "the limit is 64" in told["The journal's "]
    assert "The clock is wrong now, or it was when that fact was dated" in (await doctor(config))[1]
    assert told["One printer ha"] == "One printer has never sent a reading: fleet-0001 (asleep)."


async def test_a_journal_that_is_none_and_settings_that_name_missing_files(tmp_path: Path, fleet: Fleet) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    (folder / JOURNAL_NAME).write_text("an invented text, and no database at all\n" * 100)
    more = '[people]\nfile = "nobody.csv"\n'
    told = await complaints(config_of(tmp_path, free_ports(1)[0], ports_of(fleet), more))
    assert "nobody.csv" in told["One thing is w"]
    assert any("is no database" in what for what in told.values()), told


async def test_without_settings_it_cannot_look(tmp_path: Path) -> None:
    status, text = await doctor(tmp_path / "nothing.toml")
    assert status == 2
    assert "nothing.toml" in text


async def test_a_receiver_that_takes_nothing_is_told_and_so_is_a_secret_that_all_may_read(
    tmp_path: Path, fleet: Fleet
) -> None:
    """The queue is the journal's: it is told with the daemon running and without."""
    secret = tmp_path / "desk.secret"
    secret.write_text("an invented secret of many octets")
    secret.chmod(0o644)
    hook = f'[[alerts.webhooks]]\nname = "desk"\nurl = "http://127.0.0.1:9/"\nsecret_file = "{secret}"\n'
    config = config_of(tmp_path, free_ports(1)[0], ports_of(fleet), hook)
    (tmp_path / "data").mkdir()
    journal = await SqlJournal.open(tmp_path / "data" / JOURNAL_NAME, SystemClock())
    hour_ago = replace(trial("desk", SystemClock().now_us() - 3_600_000_000), step="opened")
    await journal.announce(Announcement(messages=[("desk", hour_ago)]))
    await journal.close()
    told = await complaints(config)
    assert "The receiver desk has not accepted a message" in told["The receiver d"]
    assert str(secret) in told["Every user of "]


async def test_a_secret_of_a_receiver_that_is_missing_is_told_by_name(tmp_path: Path, fleet: Fleet) -> None:
    hook = f'[[alerts.webhooks]]\nname = "desk"\nurl = "http://127.0.0.1:9/"\nsecret_file = "{tmp_path}/none"\n'
    told = await complaints(config_of(tmp_path, free_ports(1)[0], ports_of(fleet), hook))
    assert "receiver desk" in told["One thing is w"]
