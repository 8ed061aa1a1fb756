"""The running daemon and its journal: what is told to whom when a file is gone, facts are lost, or a row is damaged."""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pagereeve.app.daemon import App
from pagereeve.app.start_options import StartOptions
from pagereeve.settings import PrinterSettings, Settings
from pagereeve.store.errors import LostCommits, MissingJournal
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.integration.daemon import Outside, hasty_settings, until

PRINTERS = ("hall", "attic")


def settings_of(folder: Path) -> Settings:
    printers = [PrinterSettings(name=name, host="127.0.0.1", port=7 + nth) for nth, name in enumerate(PRINTERS)]
    return hasty_settings(folder, printers)


def journal_of(folder: Path) -> Path:
    return folder / JOURNAL_NAME


async def not_ready(outside: Outside) -> dict[str, str]:
    answer = await outside.client.get(f"{outside.url}/readyz")
    waiting: dict[str, str] = answer.json()["not_ready"]
    assert answer.status_code == (503 if waiting else 200)
    return waiting


async def test_a_journal_that_is_not_in_its_place_is_told_to_all_and_goes_on_once_it_is_back(tmp_path: Path) -> None:
    path, away = journal_of(tmp_path), tmp_path / "away"
    async with App(settings_of(tmp_path), first_reads_spread_s=0.1) as app, Outside(app) as outside:
        assert (await outside.started("r1", "hall", 1)).status_code == 200
        assert await not_ready(outside) == {}
        path.rename(away)
        assert str(away) in (await not_ready(outside))["journal"]
        refused = await outside.started("r2", "hall", 1)
        assert refused.status_code == 503
        problem = refused.json()
        assert problem["cause"] == "files-gone"
        assert "not where it was" in problem["detail"]
        assert str(tmp_path) not in problem["detail"]
        assert int(refused.headers["retry-after"]) >= 1
        metrics = await outside.metrics()
        assert "pagereeve_journal_up 0.0" in metrics
        assert 'pagereeve_journal_hindered{reason="files-gone"} 1.0' in metrics
        assert 'pagereeve_part_ready{part="journal"} 0.0' in metrics
        assert not path.exists()
        away.rename(path)
        assert (await outside.started("r2", "hall", 1)).status_code == 200

        async def ready() -> bool | None:
            return await not_ready(outside) == {} or None

        await until(ready, "a daemon that is ready again")
        assert "pagereeve_journal_up 1.0" in await outside.metrics()


async def test_an_accepted_loss_is_a_finding_of_the_site(tmp_path: Path) -> None:
    copy = tmp_path.with_name(f"{tmp_path.name}-copy")
    for release in ("r1", "r2"):
        async with App(settings_of(tmp_path)) as app, Outside(app) as outside:
            assert (await outside.started(release, "hall", 1)).status_code == 200
        if release == "r1":
            shutil.copy(journal_of(tmp_path), copy)
    shutil.copy(copy, journal_of(tmp_path))
    with pytest.raises(LostCommits):
        await App(settings_of(tmp_path)).__aenter__()
    async with App(settings_of(tmp_path), options=StartOptions(accept_loss=True)) as app, Outside(app) as outside:
        told = await outside.finding("facts-lost", "")
        assert (told.place, told.state, told.severity) == ("the journal", "open", "critical")
    async with App(settings_of(tmp_path)) as app, Outside(app) as outside:
        assert await outside.finding("facts-lost", "") == told
        assert (await outside.started("r2", "hall", 1)).json()["outcome"] == "stored"


async def test_a_missing_journal_beside_a_key_begins_anew_only_on_demand(tmp_path: Path) -> None:
    (tmp_path / "badge.key").write_text("00" * 32)
    (tmp_path / "badge.key").chmod(0o600)
    with pytest.raises(MissingJournal, match=r"badge\.key"):
        await App(settings_of(tmp_path)).__aenter__()
    async with App(settings_of(tmp_path), options=StartOptions(new=True)) as app, Outside(app) as outside:
        assert await not_ready(outside) == {}
    async with App(settings_of(tmp_path)):
        pass


async def test_a_damaged_row_stops_neither_its_printer_nor_another_nor_badges(tmp_path: Path) -> None:
    async with App(settings_of(tmp_path)) as app, Outside(app) as outside:
        for name in PRINTERS:
            assert (await outside.started(f"{name}-1", name, 1)).status_code == 200
        badge = {"badge": "04a1b2c3", "gateway": "gate"}
        assert (await outside.send("pagereeve.badge.presented.v1", "b1", badge)).status_code == 200
    with closing(sqlite3.connect(journal_of(tmp_path))) as connection, connection:
        connection.execute("DROP TRIGGER fact_no_update")
        connection.execute("UPDATE fact SET body = 'no fact' WHERE release = 'hall-1' OR event_id = 'b1'")
        connection.execute("UPDATE open_run SET body = 'no run' WHERE printer = 'hall'")
    async with App(settings_of(tmp_path), first_reads_spread_s=0.1) as app, Outside(app) as outside:
        for name in PRINTERS:
            assert (await outside.started(f"{name}-2", name, 1)).status_code == 200
        assert (await outside.send("pagereeve.badge.presented.v1", "b2", badge)).status_code == 200
        told = await outside.finding("fact-damaged", "hall")
        assert told.state == "open"
        assert (await outside.finding("fact-damaged", "")).state == "open"

        async def charged() -> bool | None:
            known = [await app.store.charges_of(f"{name}-2") for name in PRINTERS]
            return all(known) or None

        await until(charged, "charges of what came later")
        assert not any(app.supervisor.telemetry().restarts.values())
        await asyncio.sleep(0.6)
        assert "pagereeve_journal_damaged_rows 3.0" in await outside.metrics()
        assert await not_ready(outside) == {}
