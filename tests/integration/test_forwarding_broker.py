"""A site and a centre, whole daemons, with real servers of NATS between them: links that are cut for long, servers and
daemons that are killed, streams that are emptied or too small.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, TypeVar

import pytest

from pagereeve.app.daemon import App
from pagereeve.settings import PrinterSettings, Settings
from tests.integration.brokers import Brokers, brokers
from tests.integration.daemon import Outside, hasty_settings

Value = TypeVar("Value")
HALL = PrinterSettings(name="hall", host="127.0.0.1", port=7)


@pytest.fixture
async def between(tmp_path: Path) -> AsyncIterator[Brokers]:
    async with brokers(tmp_path) as both:
        yield both


def settings_of(folder: Path, **more: Any) -> Settings:
    folder.mkdir(mode=0o700, exist_ok=True)
    return hasty_settings(folder, [HALL] if "publish" in more else [], **more)


def of_site(both: Brokers) -> Settings:
    return settings_of(both.folder / "site", publish=[both.publish(both.folder / "site-secret")])


def of_centre(both: Brokers) -> Settings:
    return settings_of(both.folder / "centre", collect=[both.collect(both.folder / "centre-secret")])


@asynccontextmanager
async def daemon(settings: Settings) -> AsyncIterator[Outside]:
    async with App(settings, first_reads_spread_s=60) as app, Outside(app) as outside:
        yield outside


async def released(site: Outside, first: int, count: int) -> None:
    for number in range(first, first + count):
        assert (await site.started(f"r{number}", "hall", 1)).status_code == 200


async def page(outside: Outside, path: str) -> str:
    return str((await outside.client.get(f"{outside.url}{path}")).text)


async def long_until(look: Callable[[], Awaitable[Value | None]], what: str) -> Value:
    """Servers that lost one another find each other again by pauses of their own, of up to half a minute."""
    for _ in range(900):
        if (found := await look()) is not None:
            return found
        await asyncio.sleep(0.1)
    raise AssertionError(f"waited in vain for {what}")


async def caught_up(centre: Outside, site: Outside, name: str = "annex") -> int:
    """All that the site has sealed is at the centre, once, and the same to the byte; the site knows it, too."""

    async def look() -> int | None:
        size = await site.app.store.last_position()
        places = {one.site: one.place for one in await centre.app.store.origins()}
        (sender,) = site.app.forwarding.senders
        return size if places.get(name) == size == sender.has else None

    size = await long_until(look, "the centre to have all of the site, and the site to know")
    origin = await site.app.store.own_origin()
    held = await centre.app.store.held_places(origin, 0, size + 1)
    assert [held[place] for place in range(1, size + 1)] == [
        one.sealed for one in await site.app.store.sealed_bodies(0, size)
    ]
    return size


async def test_facts_reach_the_centre_through_the_broker(between: Brokers) -> None:
    async with daemon(of_centre(between)) as centre, daemon(of_site(between)) as site:
        await released(site, 0, 3)
        assert await caught_up(centre, site) >= 3
        metrics = await page(site, "/metrics")
        assert 'pagereeve_forwarding_behind_facts{centre="centre"} 0.0' in metrics
        assert 'pagereeve_site_behind_facts{site="annex"} 0.0' in await page(centre, "/metrics")
