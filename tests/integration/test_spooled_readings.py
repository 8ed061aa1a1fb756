"""Meters are read on while the journal's database is away: brackets are as if it had been there all along."""

from __future__ import annotations

import asyncio
import json

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.cli import status_of
from pagereeve.domain.ledger import Verdict
from pagereeve.simulator.printer.model import PrintJob
from tests.integration.away import PRINTER, Site, back, gone, lines
from tests.integration.daemon import until
from tests.integration.postgres_server import Server
from tests.integration.test_postgres_daemon import journal_settings, settings_file


def count(app: App) -> int:
    last = app.registry.watchers[PRINTER].last_good
    assert last is not None
    return last.sight.counts[0][1].value


async def until_count(app: App, value: int) -> None:
    async def look() -> bool | None:
        return count(app) == value or None

    await until(look, f"a meter at {value}")


async def until_brought(app: App) -> None:
    async def look() -> bool | None:
        return app.spool_keeper.figures().runs == 0 or None

    await until(look, "no run of readings in the spool")


async def require_projected(place: Site) -> None:
    """The rows are those that follow from the facts alone, and no fact was changed."""
    config = settings_file(journal_settings(place.address, place.folder), place.folder)
    for command in (["replay", "--check"], ["verify"]):
        assert await asyncio.to_thread(status_of, [*command, "--config", str(config)]) == 0


def readings(place: Site) -> list[str]:
    return place.rows(f"SELECT body FROM fact WHERE kind = 'reading' AND printer = '{PRINTER}' ORDER BY seq")


async def test_pages_of_an_outage_are_counted_where_they_were_made(server: Server, place: Site) -> None:
    """A release is open when the database goes away; its pages come, and stray pages after it; both are told apart."""
    clock = SystemClock()
    async with place.running() as (app, outside):
        before = count(app)
        assert (await outside.started("A", PRINTER, 5)).status_code == 200
        await asyncio.sleep(0.5)
        server.stop()
        place.engine.submit(PrintJob("job-A", 5), clock.now_us())
        await until_count(app, before + 5)
        await gone(app)
        # Refused now, and sent again as the answer says.
        ended = outside.event("pagereeve.release.ended.v1", "A.ended", {"release": "A", "outcome": "completed"})
        assert (await outside.post(json.dumps(ended).encode())).status_code == 503
        # Long enough to be sure that it rests.
        await asyncio.sleep(3.0)
        place.engine.submit(PrintJob("job-nobody", 3), clock.now_us())
        await until_count(app, before + 8)
        await lines(app, "7001")
        await asyncio.sleep(2.0)
        assert app.spool_keeper.figures().runs >= 2
        assert not [one for one in app.supervisor.failing if one.startswith("printer")]
        server.start()
        started_us = clock.monotonic_us()
        await until_brought(app)
        assert clock.monotonic_us() - started_us < 15_000_000
        await back(app)

        async def sent() -> bool | None:
            return (await outside.post(json.dumps(ended).encode())).status_code == 200 or None

        await until(sent, "the end notice to be acknowledged")
        charge = await outside.closed_charge("A")
        assert (charge.charged, charge.verdict) == (5, Verdict.AGREES)
        await outside.finding("stray-pages", PRINTER)
    bodies = readings(place)
    assert len(bodies) == len(set(bodies))
    await require_projected(place)


async def test_a_stop_meanwhile_leaves_readings_to_the_next_start(server: Server, place: Site) -> None:
    clock = SystemClock()
    async with place.running() as (app, _):
        before = count(app)
        server.stop()
        place.engine.submit(PrintJob("job-nobody", 4), clock.now_us())
        await until_count(app, before + 4)
        await gone(app)
        await asyncio.sleep(6.0)
        assert app.spool_keeper.figures().runs >= 1
    server.start()
    # Somebody used it while no daemon ran, too.
    place.engine.submit(PrintJob("job-nobody-2", 2), clock.now_us())
    async with place.running() as (app, outside):
        await until_brought(app)
        await until_count(app, before + 6)
        await outside.finding("stray-pages", PRINTER)
    await require_projected(place)
