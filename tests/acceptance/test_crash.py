"""The daemon is killed with SIGKILL at many random moments under load; nothing acknowledged is lost, no page invented.

Promises 1 to 3 of domain/README.md. The printers' meters, moved by the test, are the truth.
"""

from __future__ import annotations

import asyncio
import json
import signal
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import httpx2

from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import history, replay_journal
from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.facts.facts import ReleaseEnded, ReleaseStarted
from pagereeve.domain.ledger import Charge, Grade
from pagereeve.domain.values.instants import to_text
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.reads import SqlReads
from tests.acceptance.process import Daemon, a_free_port

SEED = 20261125
KILLS = 12
PRINTERS = 6
SOURCE = "/crash/release-server"
REST_S = 12.0
CONFIG = """
data_dir = "{folder}"
[http]
listen = "127.0.0.1:{port}"
[log]
level = "warning"
[watch]
baseline = "1s"
sleeper_backoff_max = "2s"
read_timeout = "1s"
poll_first = "100ms"
poll_longest = "1s"
[policy]
settle = "800ms"
first_page_floor = "50ms"
unmoved_wait = "4s"
longest_window = "60s"
longest_stalled_window = "60s"
speed_per_minute = 6000
"""


@dataclass
class Sender:
    """Sends a release's notices until they are acknowledged, and moves the meter in between."""

    fleet: Fleet
    port: int
    random: Random
    acknowledged: set[str] = field(default_factory=set)
    claimed: dict[str, int] = field(default_factory=dict)
    sent: int = 0
    ending: bool = False

    async def run(self, printer: str) -> None:
        async with httpx2.AsyncClient(timeout=5.0) as client:
            while not self.ending:
                await self.release(client, printer)
                await asyncio.sleep(self.random.uniform(0.1, 2.5))

    async def release(self, client: httpx2.AsyncClient, printer: str) -> None:
        self.sent += 1
        name, pages = f"r{self.sent:04d}", self.random.randint(1, 9)
        self.claimed[name] = pages
        ticket = {"pages": pages, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
        started = {"release": name, "job": f"job-{name}", "owner": "user-anise", "printer": printer, "ticket": ticket}
        await self.post(client, "pagereeve.release.started.v1", f"{name}.started", started)
        await asyncio.sleep(self.random.uniform(0.1, 0.6))
        for _ in range(pages):
            self.fleet.printers[printer].mark(1)
            await asyncio.sleep(0.03)
        ended = {"release": name, "outcome": "completed"}
        await self.post(client, "pagereeve.release.ended.v1", f"{name}.ended", ended)

    async def post(self, client: httpx2.AsyncClient, kind: str, name: str, data: Mapping[str, object]) -> None:
        now = to_text(SystemClock().now_us())
        event = {"specversion": "1.0", "id": name, "source": SOURCE, "type": kind, "time": now, "data": data}
        headers = {"Content-Type": "application/cloudevents+json"}
        async with asyncio.timeout(60):
            while True:
                try:
                    url = f"http://127.0.0.1:{self.port}/v1/events"
                    answer = await client.post(url, content=json.dumps(event), headers=headers)
                except httpx2.TransportError:
                    await asyncio.sleep(0.1)
                    continue
                assert answer.status_code in {200, 503}, answer.text
                if answer.status_code == 200:
                    self.acknowledged.add(name)
                    return
                await asyncio.sleep(0.1)


async def test_killed_at_random_moments_nothing_is_lost_and_nothing_invented(tmp_path: Path) -> None:
    fleet = Fleet(PRINTERS, SystemClock())
    await fleet.start()
    daemon = Daemon(tmp_path / "pagereeve.toml", a_free_port())
    write_config(daemon, tmp_path, fleet)
    sender = Sender(fleet, daemon.port, Random(SEED))
    moments = Random(SEED + 1)
    try:
        await daemon.start()
        await asyncio.sleep(1.5)  # first readings, so that every page of the load lies behind one
        began = {name: printer.count for name, printer in fleet.printers.items()}
        load = [asyncio.create_task(sender.run(name)) for name in fleet.printers]
        for _ in range(KILLS):
            await asyncio.sleep(moments.uniform(0.3, 2.0))
            assert await daemon.end(signal.SIGKILL) == -signal.SIGKILL
            await daemon.start()
        sender.ending = True
        await asyncio.gather(*load)
        await asyncio.sleep(REST_S)
        assert await daemon.end(signal.SIGTERM) == 0
        await check(tmp_path / "journal.sqlite", fleet, sender, began)
    finally:
        if daemon.process is not None and daemon.process.returncode is None:
            await daemon.end(signal.SIGKILL)
        await fleet.stop()


def write_config(daemon: Daemon, folder: Path, fleet: Fleet) -> None:
    text = CONFIG.format(folder=folder, port=daemon.port)
    for name, (host, port) in fleet.addresses().items():
        text += f'[[printers]]\nname = "{name}"\nhost = "{host}"\nport = {port}\n'
    daemon.config.write_text(text)


async def check(path: Path, fleet: Fleet, sender: Sender, began: dict[str, int]) -> None:
    report = await replay_journal(path, store=False)
    assert report.differing == []
    async with await SqlReads.open_for_reading(path) as journal:
        stored: set[str] = set()
        for printer in await journal.printers():
            facts = [one.fact async for one in journal.facts(printer)]
            stored |= {one.origin.id for one in facts if isinstance(one, ReleaseStarted | ReleaseEnded)}
        assert sender.acknowledged <= stored
        assert len(sender.acknowledged) == 2 * sender.sent
        charges = [one async for one in journal.charges(0, 2**62)]
        assert len(charges) == sender.sent
        assert len(charges) > KILLS, "hardly any load: the kills hit nothing"
        assert any(charge.grade is Grade.TIGHT for charge in charges)
        for name, one in fleet.printers.items():
            own = [charge for charge in charges if charge.printer == name]
            await check_pages(journal, name, one.count - began[name], own)


async def check_pages(journal: SqlReads, name: str, moved: int, charges: list[Charge]) -> None:
    whole = await history(journal, name)
    segments = await journal.segments(name)
    postings = [posting for segment in segments for posting in segment.postings]
    lines = conserved(name, whole.runs.runs, whole.windows, postings)
    assert all(line.ok for line in lines)
    assert sum(line.accounted for line in lines) == moved
    assert all(charge.closed_us is not None for charge in charges)
    proven = [one for one in charges if one.grade not in {Grade.BROKEN, Grade.BLIND}]
    assert sum(one.counted or 0 for one in proven) <= moved
    for charge in charges:
        assert charge.charged <= (charge.released or 0)
