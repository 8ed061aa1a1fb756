"""Badge lines while the journal's database is away: they wait in the spool, and are in the journal as they came."""

from __future__ import annotations

import asyncio
import os
import re
import signal
from dataclasses import replace

from pagereeve.app.daemon import App
from pagereeve.cli import status_of
from pagereeve.domain.findings.wording import text_of
from pagereeve.feeds.lines.feed import LineFeed
from pagereeve.store.records.kind_forms import short_kind
from pagereeve.store.spool.spool import SpoolFile
from tests.integration.away import FEED, Site, back, gone, lines
from tests.integration.daemon import until
from tests.integration.postgres_server import Server
from tests.integration.test_postgres_daemon import journal_settings, settings_file

PRESENTED = "pagereeve.badge.presented.v1"
LOSS = "loss-accepted"


def taken(app: App) -> int:
    return app.feeds[FEED].stats.events["stored"]


async def until_taken(app: App, count: int) -> None:
    async def look() -> bool | None:
        return taken(app) == count or None

    await until(look, f"{count} lines to be taken")


async def until_replayed(app: App) -> None:
    async def look() -> bool | None:
        return app.spool_keeper.figures().events == 0 or None

    await until(look, "an empty spool")


def instants(place: Site) -> list[int]:
    return [
        int(one) for one in place.rows(f"SELECT at_us FROM fact WHERE kind = '{short_kind(PRESENTED)}' ORDER BY seq")
    ]


async def test_lines_wait_and_are_stored_in_order_as_they_were_received(server: Server, place: Site) -> None:
    async with place.running() as (app, outside):
        await lines(app, "1000")
        await until_taken(app, 1)
        server.stop()
        began_us = app.clock.now_us()
        await lines(app, *(str(1001 + nth) for nth in range(20)))
        await until_taken(app, 21)
        assert "20 badge events" in app.spool_keeper.trouble()
        await gone(app)
        ended_us = app.clock.now_us()
        assert "pagereeve_spool_badges 20.0" in await outside.metrics()
        await asyncio.sleep(1.0)
        server.start()
        await back(app)
        await until_replayed(app)
        # With runs of readings, where a read came meanwhile.
        replayed = re.search(r"^pagereeve_spool_replayed_total (\d+)", await outside.metrics(), re.MULTILINE)
        assert replayed is not None
        assert int(replayed[1]) >= 20
        await lines(app, "1021")
        await until_taken(app, 22)
        await until_replayed(app)
        stats = app.feeds[FEED].stats
        assert (stats.lost_lines, stats.unkept, stats.refused.total()) == (0, 0, 0)
    stored = instants(place)
    assert len(stored) == 22
    assert stored == sorted(stored)
    assert all(began_us <= one <= ended_us for one in stored[1:21])
    # Each was received at that instant, and is known by it.
    named = place.rows(
        f"SELECT left(event_id, 17)::bigint FROM fact WHERE kind = '{short_kind(PRESENTED)}' ORDER BY seq"
    )
    assert [int(one) for one in named] == stored
    config = settings_file(journal_settings(place.address, place.folder), place.folder)
    assert await asyncio.to_thread(status_of, ["replay", "--check", "--config", str(config)]) == 0
    assert await asyncio.to_thread(status_of, ["verify", "--config", str(config)]) == 0


async def test_what_finds_no_room_is_told_and_waits_as_long_as_a_line_waits(server: Server, place: Site) -> None:
    async with place.running() as (app, outside):
        assert app.spool_keeper.spool is not None
        app.spool_keeper.spool._rows_max = 5
        server.stop()
        await lines(app, *(str(2000 + nth) for nth in range(8)))
        await until_taken(app, 5)

        async def refused() -> bool | None:
            return app.spool_keeper.figures().refused == 1 or None

        await until(refused, "a line that finds no room")
        # It is tried again, before those behind it.
        await asyncio.sleep(1.0)
        assert app.spool_keeper.figures().refused == 1
        assert taken(app) == 5
        assert "pagereeve_spool_refused_total 0.0" not in await outside.metrics()
        server.start()
        await back(app)
        await until_taken(app, 8)
        await until_replayed(app)
        assert app.feeds[FEED].stats.lost_lines == 0
    assert len(set(place.stored(PRESENTED))) == 8


async def test_lines_that_are_lost_are_a_fact_and_a_finding_once_the_database_is_back(
    server: Server, place: Site
) -> None:
    async with place.running() as (app, outside):
        assert app.spool_keeper.spool is not None
        app.spool_keeper.spool._rows_max = 2
        feed = app.feeds[FEED]
        assert isinstance(feed, LineFeed)
        # A minute less of a test.
        feed._config = replace(feed._config, patience_s=1.0)
        server.stop()
        await gone(app)
        await lines(app, "8001", "8002", "8003", "8004")

        async def lost() -> bool | None:
            return app.feeds[FEED].stats.lost_lines == 2 or None

        await until(lost, "two lines to be lost")
        server.start()
        await back(app)
        finding = await outside.finding("facts-lost", "")
    assert "2 badge lines came while the journal could not store" in text_of(finding, str)
    assert len(place.stored(PRESENTED)) == 2
    assert len(place.stored(LOSS)) == 1


async def test_a_daemon_that_is_stopped_meanwhile_replays_at_its_next_start(server: Server, place: Site) -> None:
    async with place.running() as (app, _):
        server.stop()
        await lines(app, "3001", "3002", "3003")
        await until_taken(app, 3)
        await gone(app)
        waits = await app.spool_keeper.spool.events(10) if app.spool_keeper.spool is not None else ()
        server.start()
        await back(app)
        await until_replayed(app)
        assert app.spool_keeper.spool is not None
        path = app.spool_keeper.spool.path
    assert len(waits) == 3
    # As a process leaves it that is killed between the commit and the spool's: they come once more.
    spool = await SpoolFile.open(path)
    for one in waits:
        assert one.event is not None
        await spool.keep_event(one.event)
    await spool.close()
    async with place.running() as (app, _):
        await until_replayed(app)
        assert app.spool_keeper.figures().replayed == 3
    assert len(place.stored(PRESENTED)) == 3


async def test_a_server_that_hangs_keeps_no_line_from_the_spool(server: Server, place: Site) -> None:
    async with place.running() as (app, _):
        asked = "SELECT pid FROM pg_stat_activity WHERE application_name = 'pagereeve'"
        sessions = [int(one) for one in place.rows(asked)]
        for pid in sessions:
            os.kill(pid, signal.SIGSTOP)
        try:
            await lines(app, "6001", "6002")
            await until_taken(app, 2)
        finally:
            for pid in sessions:
                os.kill(pid, signal.SIGCONT)
        await until_replayed(app)
        await back(app)
    assert len(place.stored(PRESENTED)) == 2
