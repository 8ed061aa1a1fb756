"""The daemon's wall clock is set while it runs: every page is charged all the same, and the step is a finding.

The daemon's process alone has another time (libfaketime, its monotonic clocks left alone); printers and the release
server, in the test's own process, have the true one. Two clocks that step together would show nothing.
"""

from __future__ import annotations

import asyncio
import re
import signal
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
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
from tests.acceptance.process import CODE, Daemon, a_free_port
from tests.acceptance.test_crash import Sender, write_config
from tests.acceptance.wall_clock import WallClock

# Half a minute each, on a machine that is not busy.
pytestmark = pytest.mark.timeout(300)

PRINTERS, PAGES, TURNS = 2, 3, 4
ALL_PAGES = PRINTERS * PAGES * TURNS
HOUR_S = 3_600
TWO_YEARS_S = 2 * 365 * 24 * HOUR_S
HOLIDAYS_S = 21 * 24 * HOUR_S
SETTLED_S = 5.0
# From a release's start to the next one's: less than two of them go by while the clock is off for 8 s.
TURN_S = 4.5


@dataclass
class World(SystemClock):
    """The time outside the daemon; a test may let days go by."""

    passed_us: int = 0

    def now_us(self) -> int:
        return super().now_us() + self.passed_us


@dataclass
class Trial:
    """A daemon whose wall clock the test sets, printers that it reads, and releases at all of them, turn by turn."""

    folder: Path
    world: World
    wall: WallClock
    fleet: Fleet
    daemon: Daemon
    sender: Sender
    released: list[str] = field(default_factory=list)
    asked: int = 0

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

    async def all_read(self) -> None:
        """Every page lies behind a first reading. These are spread over half a minute; a note asks for one at once."""
        self.asked += 1
        async with httpx2.AsyncClient(timeout=5.0) as client:
            for printer in self.fleet.printers:
                note = {"printer": printer, "note": "moved"}
                await self.sender.post(client, "pagereeve.printer.noted.v1", f"{printer}.{self.asked}", note)
            async with asyncio.timeout(60):
                while True:
                    if await self._read(client) == PRINTERS:
                        return
                    await asyncio.sleep(0.2)

    async def _read(self, client: httpx2.AsyncClient) -> int:
        """How many printers were read well; 0 while the daemon begins again."""
        try:
            page = (await client.get(f"http://127.0.0.1:{self.daemon.port}/metrics")).text
        except httpx2.TransportError:
            return 0
        return len(re.findall(r"^pagereeve_meter_up\{.*\} 1$", page, re.MULTILINE))

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

    def starts(self) -> list[str]:
        return [one.change for one in self.clock if one.change in {"started", "not-agreed"}]


SYNCHRONISED = "import pagereeve.app.clock_keeper as k; k.synchronised = lambda: True; " + CODE
"""The daemon on a machine whose kernel says that the clock is kept; in a container it may say anything."""
CLOCK = "[clock]\nbelieve_kernel = false\n"


@asynccontextmanager
async def a_trial(folder: Path) -> AsyncIterator[Trial]:
    world = World()
    fleet = Fleet(PRINTERS, world)
    await fleet.start()
    wall = WallClock(folder / "off")
    daemon = Daemon(folder / "pagereeve.toml", a_free_port(), wall.environment())
    write_config(daemon, folder, fleet)
    daemon.config.write_text(daemon.config.read_text() + CLOCK)
    try:
        await daemon.start()
        trial = Trial(folder, world, wall, fleet, daemon, Sender(fleet, daemon.port, Random(1)))
        await trial.all_read()
        yield trial
    finally:
        if daemon.process is not None and daemon.process.returncode is None:
            await daemon.end(signal.SIGKILL)
        await fleet.stop()


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


@pytest.mark.parametrize("year", [1970, 2100])
async def test_a_start_in_another_time_dates_nothing_and_refuses_nothing(tmp_path: Path, year: int) -> None:
    """The release server's time and the printers' uptimes agree in the end, and all of it is dated."""
    off_s = int(datetime(year, 1, 2, tzinfo=UTC).timestamp() - time.time())
    async with a_trial(tmp_path) as trial:
        await trial.turn()
        assert await trial.daemon.end(signal.SIGTERM) == 0
        trial.wall.off_by_s(off_s)
        await trial.daemon.start()
        for _ in range(TURNS - 1):
            await trial.turn()
        await trial.all_read()
        await trial.turn()
        await asyncio.sleep(SETTLED_S)
        told = await trial.end()
    told.all_pages_are_charged(ALL_PAGES + PRINTERS * PAGES)
    told.dates_are_true()
    assert told.starts() == ["started", "not-agreed", "started"]
    assert told.of_kinds() == [("clock-not-agreed", "closed"), ("clock-stepped", "open")]


async def test_a_daemon_that_was_off_over_the_holidays_starts_without_a_word(tmp_path: Path) -> None:
    async with a_trial(tmp_path) as trial:
        await trial.turn()
        assert await trial.daemon.end(signal.SIGTERM) == 0
        trial.daemon.config.write_text(trial.daemon.config.read_text().removesuffix(CLOCK))
        trial.daemon.code = SYNCHRONISED
        trial.wall.off_by_s(HOLIDAYS_S)
        trial.world.passed_us = HOLIDAYS_S * SECOND_US
        await trial.daemon.start()
        await trial.all_read()
        await asyncio.sleep(SETTLED_S)
        told = await trial.end()
    assert told.starts() == ["started", "started"]
    assert told.steps() == []
    assert told.findings == []
