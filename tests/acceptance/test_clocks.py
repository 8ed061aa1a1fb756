"""The daemon's wall clock is set while it runs: every page is charged all the same, and the step is a finding.

The daemon's process alone has another time (libfaketime, its monotonic clocks left alone); printers and the release
server, in the test's own process, have the true one. Two clocks that step together would show nothing.
"""

from __future__ import annotations

import asyncio
import re
import signal
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import httpx2
import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import check_journal
from pagereeve.domain.facts.facts import ClockChanged
from pagereeve.domain.ledger import Charge, Finding, Verdict
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.reads import SqlReads
from tests.acceptance.process import Daemon, a_free_port
from tests.acceptance.test_crash import Sender, write_config
from tests.acceptance.wall_clock import WallClock

PRINTERS, PAGES, TURNS = 2, 3, 4
ALL_PAGES = PRINTERS * PAGES * TURNS
HOUR_S = 3_600
TWO_YEARS_S = 2 * 365 * 24 * HOUR_S
SETTLED_S = 5.0
# From a release's start to the next one's: less than two of them go by while the clock is off for 8 s.
TURN_S = 4.5


@dataclass
class Trial:
    """A daemon whose wall clock the test sets, printers that it reads, and releases at all of them, turn by turn."""

    folder: Path
    wall: WallClock
    fleet: Fleet
    daemon: Daemon
    sender: Sender
    released: list[str] = field(default_factory=list)

    async def turn(self) -> None:
        """One release of PAGES pages at each printer, and time for the meter to rest."""
        async with httpx2.AsyncClient(timeout=5.0) as client:
            await asyncio.gather(*(self.release(client, printer) for printer in self.fleet.printers))
        await asyncio.sleep(TURN_S - 0.5 - 0.2 * PAGES)

    async def release(self, client: httpx2.AsyncClient, printer: str) -> None:
        name = f"r{len(self.released):03d}"
        self.released.append(name)
        ticket = {"pages": PAGES, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
        started = {"release": name, "job": f"job-{name}", "owner": "user-anise", "printer": printer, "ticket": ticket}
        await self.sender.post(client, "pagereeve.release.started.v1", f"{name}.started", started)
        await asyncio.sleep(0.5)
        for _ in range(PAGES):
            self.fleet.printers[printer].mark(1)
            await asyncio.sleep(0.2)
        ended = {"release": name, "outcome": "completed"}
        await self.sender.post(client, "pagereeve.release.ended.v1", f"{name}.ended", ended)

    async def end(self) -> Told:
        """Stop the daemon in order, and read what it left."""
        assert await self.daemon.end(signal.SIGTERM) == 0
        report = await check_journal(self.folder / "journal.sqlite")
        assert (report.differing, report.behind) == ([], [])
        async with await SqlReads.open_for_reading(self.folder / "journal.sqlite") as journal:
            return Told(
                [one async for one in journal.charges(0, 2**62)],
                await journal.findings(only_open=False),
                [one.fact async for one in journal.facts("") if isinstance(one.fact, ClockChanged)],
            )


@dataclass
class Told:
    charges: Sequence[Charge]
    findings: Sequence[Finding]
    clock: Sequence[ClockChanged]

    def all_pages_are_charged(self, pages: int = ALL_PAGES) -> None:
        assert sum(one.charged for one in self.charges) == pages
        assert {one.verdict for one in self.charges} == {Verdict.AGREES}
        assert {one.counted for one in self.charges} == {PAGES}
        assert {one.unproven for one in self.charges} == {0}

    def dates_are_true(self, within_s: float = 120.0) -> None:
        now_us = SystemClock().now_us()
        assert all(abs(now_us - one.started_us) < within_s * SECOND_US for one in self.charges)

    def steps(self) -> list[tuple[str, int]]:
        return [(one.change, round(one.size_us / SECOND_US)) for one in self.clock if one.change != "started"]

    def of_kinds(self) -> list[tuple[str, str]]:
        return sorted((one.kind, one.state) for one in self.findings)


@asynccontextmanager
async def a_trial(folder: Path) -> AsyncIterator[Trial]:
    fleet = Fleet(PRINTERS, SystemClock())
    await fleet.start()
    wall = WallClock(folder / "off")
    daemon = Daemon(folder / "pagereeve.toml", a_free_port(), wall.environment())
    write_config(daemon, folder, fleet)
    try:
        await daemon.start()
        await _all_read(daemon)
        yield Trial(folder, wall, fleet, daemon, Sender(fleet, daemon.port, Random(1)))
    finally:
        if daemon.process is not None and daemon.process.returncode is None:
            await daemon.end(signal.SIGKILL)
        await fleet.stop()


async def _all_read(daemon: Daemon) -> None:
    """Every page lies behind a first reading; these are spread over half a minute."""
    async with asyncio.timeout(60), httpx2.AsyncClient() as client:
        while True:
            page = (await client.get(f"http://127.0.0.1:{daemon.port}/metrics")).text
            if len(re.findall(r"^pagereeve_meter_up\{.*\} 1$", page, re.MULTILINE)) == PRINTERS:
                return
            await asyncio.sleep(0.2)


async def test_two_years_ahead_for_8_seconds_every_page_is_charged(tmp_path: Path) -> None:
    async with a_trial(tmp_path) as trial:
        await trial.turn()
        trial.wall.off_by_s(TWO_YEARS_S)
        back = asyncio.get_running_loop().call_later(8.0, trial.wall.off_by_s, 0)
        for _ in range(TURNS - 1):
            await trial.turn()
        assert back.when() < asyncio.get_running_loop().time()
        await asyncio.sleep(SETTLED_S)
        told = await trial.end()
    told.all_pages_are_charged()
    told.dates_are_true()
    assert told.steps() == [("stepped", TWO_YEARS_S), ("returned", -TWO_YEARS_S)]
    assert told.of_kinds() == [("clock-stepped", "closed")]
    [finding] = told.findings
    assert finding.until_us is not None
    assert 7 <= (finding.until_us - finding.since_us) / SECOND_US <= 11


@pytest.mark.parametrize("by_s", [HOUR_S, -HOUR_S])
async def test_a_step_that_stays_costs_no_page(tmp_path: Path, by_s: int) -> None:
    async with a_trial(tmp_path) as trial:
        await trial.turn()
        trial.wall.off_by_s(by_s)
        for _ in range(TURNS - 1):
            await trial.turn()
        await asyncio.sleep(SETTLED_S)
        told = await trial.end()
    told.all_pages_are_charged()
    told.dates_are_true()
    assert told.steps() == [("stepped", by_s)]
    assert told.of_kinds() == [("clock-stepped", "open")]
