"""The example of a release server's client, against the running daemon: it waits for rest, and loses no notice."""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import AsyncIterator
from itertools import pairwise
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.domain.ledger import Grade, Verdict
from pagereeve.settings import PrinterSettings
from pagereeve.simulator.college.fleet import Fleet
from tests.integration.daemon import Outside, hasty_settings

sys.path[:0] = [str(Path(__file__).parents[2] / "contrib" / "examples")]

from release_client import Notices  # noqa: E402 - a script beside the package

pytestmark = pytest.mark.alone

TICKET = {"pages": 3, "copies": 1, "sides": "one-sided", "number_up": 1, "separator_sheets": 0}
PRINTER = "fleet-0001"


@pytest.fixture
async def fleet() -> AsyncIterator[Fleet]:
    printers = Fleet(1, SystemClock())
    await printers.start()
    yield printers
    await printers.stop()


async def let_go(fleet: Fleet, notices: Notices, name: str) -> float:
    """Report, wait, print, report. When the printing began (monotonic, s)."""
    data = {"job": f"job-{name}", "owner": "user-anise", "printer": PRINTER, "ticket": TICKET}
    answer = await asyncio.to_thread(notices.start, name, **data)
    assert (answer["outcome"], answer["reading"], answer["rest"]) == ("stored", "in-hand", "rested")
    begun_s = time.monotonic()
    await asyncio.sleep(0.3)
    fleet.printers[PRINTER].mark(3)
    await asyncio.sleep(0.2)
    assert (await asyncio.to_thread(notices.end, name, "completed", pages_sent=3))["outcome"] == "stored"
    return begun_s


async def test_jobs_of_a_crowd_print_one_after_the_other_and_each_stands_alone(tmp_path: Path, fleet: Fleet) -> None:
    (host, port) = fleet.addresses()[PRINTER]
    settings = hasty_settings(tmp_path / "data", [PrinterSettings(name=PRINTER, host=host, port=port)])
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
        await outside.first_reading(PRINTER)
        notices = Notices(f"{outside.url}/v1/events", "/invented/release-server", tmp_path / "late.ndjson")
        begun_s = await asyncio.gather(*(let_go(fleet, notices, f"r{nth}") for nth in range(3)))
        apart_s = sorted(begun_s)
        # The settle time of these settings is a second.
        assert min(later - earlier for earlier, later in pairwise(apart_s)) > 1.0
        for nth in range(3):
            charge = await outside.closed_charge(f"r{nth}")
            assert (charge.counted, charge.charged, charge.verdict, charge.grade) == (3, 3, Verdict.AGREES, Grade.TIGHT)
        assert not (tmp_path / "late.ndjson").exists()


async def test_what_could_not_be_sent_is_sent_later_in_order_and_holds_nobody(tmp_path: Path, fleet: Fleet) -> None:
    (host, port) = fleet.addresses()[PRINTER]
    settings = hasty_settings(tmp_path / "data", [PrinterSettings(name=PRINTER, host=host, port=port)])
    late = tmp_path / "late.ndjson"
    away = Notices("http://127.0.0.1:9/v1/events", "/invented/release-server", late)
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
        await outside.first_reading(PRINTER)
        began_s = time.monotonic()
        data = {"job": "job-r", "owner": "user-anise", "printer": PRINTER, "ticket": TICKET}
        assert await asyncio.to_thread(away.start, "r", **data) == {}
        fleet.printers[PRINTER].mark(3)
        assert await asyncio.to_thread(away.end, "r", "completed") == {}
        assert time.monotonic() - began_s < 5
        assert len(late.read_text().splitlines()) == 2
        back = Notices(f"{outside.url}/v1/events", "/invented/release-server", late)
        assert await asyncio.to_thread(back.send_late) == 0
        charge = await outside.closed_charge("r")
        assert (charge.counted, charge.verdict) == (3, Verdict.AGREES)
        assert late.read_text() == ""
