"""The daemon's own health from outside: what is stuck is named, a restart looks like none, series are bounded."""

from __future__ import annotations

import asyncio
import gzip
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
import structlog
from prometheus_client.parser import text_string_to_metric_families
from structlog.testing import capture_logs

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.engine.supervision import heartbeat
from pagereeve.engine.supervision.garbage import LOOK_EVERY_S
from pagereeve.settings import GatewaySettings, PrinterSettings, Settings
from pagereeve.simulator.college.fleet import Fleet
from tests.integration.daemon import Outside, hasty_settings, until

BADGE = "pagereeve.badge.presented.v1"
NOTED = "pagereeve.printer.noted.v1"


def settings_of(folder: Path, fleet: Fleet, names: Sequence[str] | None = None) -> Settings:
    addresses = fleet.addresses()
    wanted = list(addresses) if names is None else names
    printers = [
        PrinterSettings(name=name, host=addresses[name][0], port=addresses[name][1], gateway="gate") for name in wanted
    ]
    return hasty_settings(folder, printers, gateways=(GatewaySettings(name="gate"),))


def samples(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


@pytest.fixture
async def fleet() -> Any:
    printers = Fleet(3, SystemClock())
    await printers.start()
    yield printers
    await printers.stop()


async def all_read(app: App) -> None:
    async def look() -> bool | None:
        return all(watcher.last is not None for watcher in app.registry.watchers.values()) or None

    await until(look, "a read of each printer")


async def test_a_healthy_daemon_says_so_in_every_part(tmp_path: Path, fleet: Fleet) -> None:
    async with App(settings_of(tmp_path, fleet), first_reads_spread_s=0.1) as app, Outside(app) as outside:
        await all_read(app)
        await asyncio.sleep(0.6)
        shown = samples(await outside.metrics())
        assert shown["pagereeve_ready", ()] == 1
        parts = {
            dict(labels)["part"]: value for (name, labels), value in shown.items() if name == "pagereeve_part_ready"
        }
        assert parts == dict.fromkeys(("start", "journal", "tasks", "loop", "disk"), 1)
        assert 0 <= shown["pagereeve_event_loop_lag_seconds", ()] < 5
        age_s = (
            SystemClock().now_us() / 1e6
            - shown["pagereeve_task_last_success_timestamp_seconds", (("task", "printers"),)]
        )
        assert age_s < 5
        assert shown["pagereeve_disk_free_bytes", ()] < shown["pagereeve_disk_size_bytes", ()]
        answer = await outside.client.get(f"{outside.url}/metrics", headers={"Accept-Encoding": "gzip"})
        assert answer.headers["content-encoding"] == "gzip"
        plain = await outside.client.get(f"{outside.url}/metrics", headers={"Accept-Encoding": "gzip;q=0"})
        assert "content-encoding" not in plain.headers
        assert len(gzip.compress(plain.content, 1)) < len(plain.content) / 4


async def test_the_log_names_addresses_as_settings_do(
    tmp_path: Path, fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was http="('127.0.0.1', 8731)", a tuple of Python's."""
    with capture_logs() as lines:
        monkeypatch.setattr("pagereeve.app.daemon.log", structlog.get_logger())
        async with App(settings_of(tmp_path, fleet)) as app:
            host, port = app.http_address
    assert [line["http"] for line in lines if line["event"] == "ready"] == [f"{host}:{port}"]
    assert not [value for line in lines for value in line.values() if str(value).startswith("(")]


async def test_a_stuck_watcher_is_named_with_what_it_waits_for(
    tmp_path: Path, fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    # keephq/keep#6552: a task dies unseen
    monkeypatch.setattr("pagereeve.engine.printers.watcher.GRACE_S", -1.9)
    assert heartbeat.GRACE_S == 30
    async with App(settings_of(tmp_path, fleet), first_reads_spread_s=0.1) as app, Outside(app) as outside:
        await all_read(app)
        never: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
        answers = app.meter.read

        async def read(target: Any, timeout_s: float) -> Any:
            return await (never if target.printer == "fleet-0002" else answers(target, timeout_s))

        monkeypatch.setattr(app.meter, "read", read)

        async def look() -> dict[str, str] | None:
            answer = await outside.client.get(f"{outside.url}/readyz")
            waiting: dict[str, str] = answer.json()["not_ready"]
            return waiting if answer.status_code == 503 else None

        waiting = await until(look, "a daemon that is not ready")
        assert list(waiting) == ["tasks"]
        assert waiting["tasks"].startswith("1 not at work: printer fleet-0002 is stuck since 20")
        assert waiting["tasks"].endswith("it waits for its meter")
        shown = samples(await outside.metrics())
        assert (shown["pagereeve_ready", ()], shown["pagereeve_part_ready", (("part", "tasks"),)]) == (0, 0)
        assert app.supervisor.stalled_kinds() == []


async def test_a_task_that_dies_is_named_at_once(tmp_path: Path, fleet: Fleet) -> None:
    async with App(settings_of(tmp_path, fleet)) as app, Outside(app) as outside:
        (badge_watcher,) = [task for task in app.supervisor.tasks if task.get_name() == "badges"]
        badge_watcher.cancel()
        await asyncio.sleep(0.1)
        answer = await outside.client.get(f"{outside.url}/readyz")
        assert answer.status_code == 503
        assert "badges ended at 20" in answer.json()["not_ready"]["tasks"]
        assert samples(await outside.metrics())["pagereeve_task_ends_total", (("task", "badges"),)] == 1
        assert app.supervisor.stalled_kinds() == ["badges"]


async def test_right_after_a_restart_the_last_times_are_those_of_the_journal(tmp_path: Path, fleet: Fleet) -> None:
    # starkware-libs/sequencer#14115: nothing is read, and nothing comes in, after the restart.
    async with App(settings_of(tmp_path, fleet), first_reads_spread_s=0.1) as app, Outside(app) as outside:
        await all_read(app)
        assert (await outside.started("r1", "fleet-0001", 3)).status_code == 200
        assert (await outside.ended("r1")).status_code == 200
        await outside.send(BADGE, "b1", {"badge": "00c0ffee", "gateway": "gate"})
        await outside.send(NOTED, "n1", {"printer": "fleet-0001", "note": "maintenance-begun"})
        await asyncio.sleep(1.5)
        before = samples(await outside.metrics())
    async with App(settings_of(tmp_path, fleet), first_reads_spread_s=3_000.0) as app, Outside(app) as outside:
        after = samples(await outside.metrics())
    for name in ("pagereeve_last_reading_timestamp_seconds", "pagereeve_meter_reading"):
        labels = [key for key in before if key[0] == name]
        assert labels
        assert labels == [key for key in after if key[0] == name]
        assert all(abs(before[key] - after[key]) < 6 for key in labels)
    events = {dict(labels)["type"]: key for key in before for name, labels in [key] if "last_event" in name}
    assert set(events) == {"started", "ended", "badge", "noted"}
    assert all(abs(before[key] - after[key]) < 1 for key in events.values())
    commit = ("pagereeve_journal_last_commit_timestamp_seconds", ())
    assert abs(before[commit] - after[commit]) < 10


async def test_series_grow_with_printers_alone(tmp_path: Path, fleet: Fleet) -> None:
    """Prometheus documentation, Instrumentation: never by persons, badges, jobs, or names that came from outside."""

    async def send_many(outside: Outside, count: int, *, first: int) -> None:
        for nth in range(first, first + count):
            await outside.started(f"r{nth}", "fleet-0001", 1)
            await outside.ended(f"r{nth}")
            await outside.send(BADGE, f"b{nth}", {"badge": f"{nth:08x}", "gateway": "gate", "reader": f"reader-{nth}"})
            ticket = {"pages": 1}
            odd = {"release": f"s{nth}", "job": f"sj{nth}", "owner": f"person-{nth}", "printer": f"stranger-{nth}"}
            await outside.send("pagereeve.release.started.v1", f"s{nth}.started", odd | {"ticket": ticket})
            await outside.send(f"unknown.type.{nth}", f"u{nth}", {})
            await outside.client.get(f"{outside.url}/no-such-page-{nth}")

    async def series(outside: Outside) -> Counter[str]:
        # A task's last success is there from its first on, whatever came in meanwhile.
        found = samples(await outside.metrics())
        return Counter(name for name, _ in found if name != "pagereeve_task_last_success_timestamp_seconds")

    async with App(settings_of(tmp_path / "a", fleet), first_reads_spread_s=0.1) as app, Outside(app) as outside:
        await all_read(app)
        await send_many(outside, 1, first=0)
        # The task that comes round last has its instant from now on.
        await asyncio.sleep(LOOK_EVERY_S + 0.5)
        one = await series(outside)
        await send_many(outside, 40, first=1)
        await asyncio.sleep(0.5)
        assert await series(outside) == one
    counts = []
    for number in (1, 2, 3):
        names = list(fleet.printers)[:number]
        settings = settings_of(tmp_path / str(number), fleet, names)
        async with App(settings, first_reads_spread_s=0.1) as app, Outside(app) as outside:
            await all_read(app)
            await asyncio.sleep(LOOK_EVERY_S + 0.5)
            counts.append((await series(outside)).total())
    assert counts[2] - counts[1] == counts[1] - counts[0] > 0
