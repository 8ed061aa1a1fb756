"""A day with planted faults produces exactly the messages that it should: kind, count, order, resolution.

The daemon is killed twice with SIGKILL, and the receiver takes nothing for a long part of the day: an hour there is
seconds here, as every hold time is. (In virtual time a receiver is away for a whole day: tests/unit/engine.)
"""

from __future__ import annotations

import asyncio
import json
import signal
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx2
import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.values.instants import to_text
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.reads import SqlReads
from tests.acceptance.process import Daemon, a_free_port
from tests.acceptance.test_crash import CONFIG
from tests.integration.webserver import OK, WebServer, status, web_server

SOURCE = "/alerts/release-server"
BEHIND = [f"fleet-{nth:04d}" for nth in range(1, 5)]
SURPLUS, STRAY, SERVICED, FLAPPING, WELL = (f"fleet-{nth:04d}" for nth in range(5, 10))
DEADLINE_S = 40.0
TOKEN = "an-invented-token-of-the-desk"
ALERTS = """
[[http.credentials]]
name = "desk"
acts = ["send", "note", "decide"]
token_file = "{folder}/desk.token"
[alerts]
hold = "1500ms"
hold_over = "3s"
[[alerts.webhooks]]
name = "desk"
url = "{url}/hook"
secret_file = "{folder}/hook.secret"
[[gateways]]
name = "gate-1"
"""


@dataclass
class Day:
    fleet: Fleet
    daemon: Daemon
    site: WebServer
    folder: Path
    client: httpx2.AsyncClient
    sent: int = 0
    received: dict[str, dict[str, Any]] = field(default_factory=dict)

    def told(self) -> list[tuple[str, str, str]]:
        """(kind, subject, step) of each message, in order of its first arrival; a repetition has the same id."""
        for request in self.site.requests:
            event = json.loads(request.body)
            if self.taken.get(event["id"]):
                self.received.setdefault(event["id"], event)
        return [(e["data"]["kind"], e["subject"], e["type"].split(".")[-2]) for e in self.received.values()]

    taken: dict[str, bool] = field(default_factory=dict)
    away: bool = False

    def answer(self, request: Any) -> bytes:
        if self.away:
            return status("503 Service Unavailable")
        self.taken[json.loads(request.body)["id"]] = True
        return OK

    async def post(self, kind: str, name: str, data: Mapping[str, object]) -> None:
        self.sent += 1
        event = {"specversion": "1.0", "id": name, "source": SOURCE, "type": kind, "data": data}
        event["time"] = to_text(SystemClock().now_us())
        answer = await self.client.post(
            f"http://127.0.0.1:{self.daemon.port}/v1/events",
            content=json.dumps(event),
            headers={"Content-Type": "application/cloudevents+json", "Authorization": f"Bearer {TOKEN}"},
        )
        assert answer.status_code == 200, answer.text

    async def release(self, printer: str, claimed: int, printed: int) -> None:
        name = f"r-{self.sent}"
        ticket = {"pages": claimed, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
        data = {"release": name, "job": name, "owner": "user-anise", "printer": printer, "ticket": ticket}
        await self.post("pagereeve.release.started.v1", f"{name}.started", data)
        await asyncio.sleep(0.4)
        self.fleet.printers[printer].mark(printed)
        await asyncio.sleep(0.2)
        await self.post("pagereeve.release.ended.v1", f"{name}.ended", {"release": name, "outcome": "completed"})

    async def note(self, printer: str, note: str) -> None:
        await self.post("pagereeve.printer.noted.v1", f"n-{self.sent}", {"printer": printer, "note": note})

    async def explain(self, kind: str, printer: str) -> None:
        async with await SqlReads.open_for_reading(self.folder / "journal.sqlite") as reads:
            found = await reads.findings(only_open=True)
        (one,) = [finding for finding in found if (finding.kind, finding.printer) == (kind, printer)]
        data = {"finding": one.id, "action": "explain", "reason": "test-page"}
        await self.post("pagereeve.finding.decided.v1", f"d-{self.sent}", data)

    def silence(self, *printers: str, silent: bool) -> None:
        for name in printers:
            self.fleet.printers[name].silent = silent

    async def until(self, look: Callable[[], bool], what: str) -> None:
        for _ in range(int(DEADLINE_S / 0.1)):
            if look():
                return
            await asyncio.sleep(0.1)
        raise AssertionError(f"waited in vain for {what}; told were {self.told()}")

    async def hears(self, kind: str, subject: str, step: str) -> None:
        await self.until(lambda: (kind, subject, step) in self.told(), f"{kind} at {subject} {step}")

    async def killed(self) -> None:
        assert await self.daemon.end(signal.SIGKILL) == -signal.SIGKILL
        await self.daemon.start()


@asynccontextmanager
async def a_day(folder: Path) -> AsyncIterator[Day]:
    fleet = Fleet(9, SystemClock())
    await fleet.start()
    daemon = Daemon(folder / "pagereeve.toml", a_free_port())
    try:
        async with web_server() as site, httpx2.AsyncClient(timeout=15.0) as client:
            write_config(daemon, folder, fleet, site.url)
            day = Day(fleet, daemon, site, folder, client)
            site.answer = day.answer
            await daemon.start()
            # A note has the meter read at once: each page of the day then lies behind a reading.
            for name in fleet.printers:
                await day.note(name, "moved")
            await asyncio.sleep(2.0)
            # Ordinary work everywhere, which nobody needs to hear of.
            await asyncio.gather(*(day.release(name, 2, 2) for name in fleet.printers))
            await asyncio.sleep(3.0)
            yield day
    finally:
        if daemon.process is not None and daemon.process.returncode is None:
            await daemon.end(signal.SIGKILL)
        await fleet.stop()


def write_config(daemon: Daemon, folder: Path, fleet: Fleet, url: str) -> None:
    secret = folder / "hook.secret"
    secret.write_text("an invented secret of many octets")
    secret.chmod(0o600)
    (folder / "desk.token").write_text(TOKEN)
    text = CONFIG.format(folder=folder, port=daemon.port) + ALERTS.format(url=url, folder=folder)
    for name, (host, port) in fleet.addresses().items():
        behind = 'gateway = "gate-1"\n' if name in BEHIND else ""
        text += f'[[printers]]\nname = "{name}"\nhost = "{host}"\nport = {port}\n{behind}'
    daemon.config.write_text(text)


@pytest.mark.timeout(240)
async def test_a_day_with_planted_faults_is_told_exactly_as_it_was(tmp_path: Path) -> None:
    async with a_day(tmp_path) as day:
        # A printer that is serviced is silent, and nobody needs to hear of it.
        await day.note(SERVICED, "maintenance-begun")
        await day.release(WELL, 3, 3)
        day.silence(SERVICED, silent=True)
        await day.release(SERVICED, 1, 1)
        # A surplus, and a gateway that loses its power while four people release behind it.
        await day.release(SURPLUS, 2, 5)
        await day.hears("surplus", SURPLUS, "opened")
        day.silence(*BEHIND, silent=True)
        await asyncio.gather(*(day.release(name, 2, 2) for name in BEHIND))
        await day.hears("meter-silent", "gateway gate-1", "opened")
        # The receiver is away. Meanwhile the daemon dies twice, and the day goes on.
        day.away = True
        day.fleet.printers[STRAY].mark(4)
        await day.killed()
        day.silence(SERVICED, *BEHIND, silent=False)
        await day.note(SERVICED, "maintenance-ended")
        await day.explain("surplus", SURPLUS)
        await asyncio.sleep(6.0)
        await day.killed()
        await asyncio.sleep(4.0)
        assert len(day.told()) == 2
        day.away = False
        await day.hears("stray-pages", STRAY, "opened")
        await day.hears("surplus", SURPLUS, "resolved")
        await day.hears("meter-silent", "gateway gate-1", "resolved")
        # Explained while somebody listens: told at once.
        await day.explain("stray-pages", STRAY)
        await day.hears("stray-pages", STRAY, "resolved")
        # A printer that answers now and then, each time for longer than the hold over is none: one alert.
        await flap(day)
        await asyncio.sleep(5.0)
        expected = sorted(
            (kind, subject, step)
            for kind, subject in (
                ("surplus", SURPLUS),
                ("meter-silent", "gateway gate-1"),
                ("stray-pages", STRAY),
                ("meter-silent", FLAPPING),
            )
            for step in ("opened", "resolved")
        )
        assert sorted(day.told()) == expected
        in_order(day)


async def flap(day: Day) -> None:
    """The first silence lasts until it is told: two reads that time out, the hold and a look at what changed take about
    four seconds, and a silence that ends before is no message at all.
    """
    for nth in range(3):
        day.silence(FLAPPING, silent=True)
        await day.release(FLAPPING, 1, 1)
        if nth == 0:
            await day.hears("meter-silent", FLAPPING, "opened")
        else:
            await asyncio.sleep(4.0)
        day.silence(FLAPPING, silent=False)
        await asyncio.sleep(1.5)
    await day.hears("meter-silent", FLAPPING, "resolved")


def in_order(day: Day) -> None:
    """Each alert's messages came in order, and each holds what whoever is called needs."""
    last: dict[str, int] = {}
    for event in day.received.values():
        alert, _, nth = event["id"].rpartition(".")
        assert int(nth) == last.get(alert, 0) + 1
        last[alert] = int(nth)
        data = event["data"]
        assert all(data[name] for name in ("title", "what", "cost", "first", "command"))
        assert "user-anise" not in json.dumps(event)
        assert "warden" not in json.dumps(event)
