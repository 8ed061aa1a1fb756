"""`pagereeve doctor` says what waits for a reload, what was never proven, and when the last backup was made."""

from __future__ import annotations

import asyncio
import json
import shutil
import time
from collections.abc import Iterable
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.cli import status_of
from pagereeve.domain.facts.facts import PrinterNoted, ReadFailed
from pagereeve.domain.facts.reading import Silence, SilenceReason
from pagereeve.reports.doctor.keeping import DAY_US
from pagereeve.settings import load_settings
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration.test_doctor import all_read, config_of, doctor, fleet, ports_of
from tests.integration.test_service_manager import free_ports
from tests.journal_samples import origin

__all__ = ["fleet"]

MANY = 1_000


async def test_what_waits_for_a_reload_or_a_restart_is_told_until_it_is_in_force(tmp_path: Path, fleet: Fleet) -> None:
    config = config_of(tmp_path, free_ports(1)[0], ports_of(fleet))
    async with App(load_settings(config), load=lambda: load_settings(config), first_reads_spread_s=0.1) as app:
        await all_read(app)
        assert (await doctor(config))[0] == 0
        before = config.read_text()
        config.write_text(before + '[[printers]]\nname = "new"\nhost = "127.0.0.1"\nport = 9\n[log]\nlevel = "debug"\n')
        status, text = await doctor(config)
        assert status == 1
        assert "The daemon does not run with the present settings: printer new (new)." in text
        assert "Settings were changed that need a restart: log.level." in text
        config.write_text(before.replace("[watch]", '[policy]\nsettle = "9s"\n[watch]'))
        assert "present settings: policy." in (await doctor(config))[1]
        assert app.reloader is not None
        assert await app.reloader.reload()
        assert (await doctor(config))[0] == 0


async def test_advice_is_shown_and_is_no_alarm_and_a_backup_is_remembered(tmp_path: Path, fleet: Fleet) -> None:
    config = config_of(tmp_path, free_ports(1)[0], ports_of(fleet))
    async with App(load_settings(config), first_reads_spread_s=0.1) as app:
        await all_read(app)
        await app.store.append(PrinterNoted("fleet-0001", origin("note-1"), "proven"))
        status, text = await doctor(config, "--json")
        body = json.loads(text)
        assert (status, body["complaints"], body["last_backup"]) == (0, [], None)
        said = " ".join(one["what"] for one in body["advice"])
        assert "One printer was never proven: fleet-0002." in said
        assert "No receiver of alerts is configured." in said
        before_us = SystemClock().now_us()
        assert status_of(["backup", str(tmp_path / "copy"), "--config", str(config)]) == 0
        assert json.loads((await doctor(config, "--json"))[1])["last_backup"] >= _text(before_us)


def _text(instant_us: int) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(instant_us // 1_000_000))


async def test_a_thousand_that_never_answered_are_one_line_in_seconds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = [f"p{nth:04d}" for nth in range(MANY)]
    config = config_of(tmp_path, free_ports(1)[0], {name: 1_000 + nth for nth, name in enumerate(names)})
    (tmp_path / "data").mkdir(mode=0o700)
    now_us = SystemClock().now_us()
    silence = Silence(now_us - 10**9, now_us - 10**6, 5, SilenceReason.TIMEOUT, "")
    async with await SqlJournal.open(tmp_path / "data" / JOURNAL_NAME, SystemClock()) as journal:
        await asyncio.gather(*(journal.observe(name, [], ReadFailed(name, silence)) for name in names))
    _, text = await doctor(config)
    assert f"{MANY} printers have never sent a reading: {MANY} timeout; p0000 (timeout), " in text
    assert f"{MANY} printers were never proven: p0000, " in text
    assert len(text.splitlines()) < 60


@pytest.mark.parametrize(
    ("ages_days", "share", "over_days"),
    [
        pytest.param((5, 15, 25, 35, 45), 3 / 5, 30, id="an old one: what came in the last 30 days"),
        pytest.param((1,), 0.0, 30, id="a trial of a day says nothing"),
    ],
)
async def test_how_long_the_disk_lasts_follows_from_the_last_thirty_days(
    tmp_path: Path, ages_days: Iterable[int], share: float, over_days: int
) -> None:
    config = config_of(tmp_path, free_ports(1)[0], {"p1": 1_000})
    (tmp_path / "data").mkdir(mode=0o700)
    now_us = SystemClock().now_us()
    async with await SqlJournal.open(tmp_path / "data" / JOURNAL_NAME, SystemClock()) as journal:
        for days in sorted(ages_days, reverse=True):
            await journal.append(PrinterNoted("p1", origin(f"note-{days}", now_us - days * DAY_US), "proven"))
    body = json.loads((await doctor(config, "--json"))[1])
    assert body["journal_growth_day_bytes"] == pytest.approx(body["journal_bytes"] * share / over_days, rel=0.05)
    if not share:
        assert body["disk_lasts_days"] is None
        return
    # By the file system itself, while others write to it.
    free_bytes = shutil.disk_usage(tmp_path).free
    lasts_days = free_bytes / body["journal_growth_day_bytes"]
    assert body["disk_lasts_days"] == pytest.approx(lasts_days, rel=0.1)
