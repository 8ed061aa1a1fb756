"""SIGHUP: gateways and relayed lines change from the next one on; the process outlives it at any time."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import Any

import httpx2
import pytest

from pagereeve.domain.facts.facts import BadgePresented
from tests.integration.daemon import until
from tests.integration.reloading import Site, hung_up, running, site_in
from tests.integration.test_doctor import doctor
from tests.integration.test_service_manager import RUN
from tests.relaying import ReleaseServer, connect, listening, relay_settings, relaying


@pytest.fixture
async def site(tmp_path: Path) -> AsyncIterator[Site]:
    async with site_in(tmp_path) as one:
        yield one


async def test_a_gateway_of_another_name_and_host_is_known_by_the_next_connection(site: Site) -> None:
    feed = '[[feeds.lines]]\nname = "desk"\nlisten = "127.0.0.1:0"\n'
    gateway = '[[gateways]]\nname = "{name}"\nhost = "127.0.0.1"\n'
    site.more = feed + gateway.format(name="gate-old")
    site.write()
    async with running(site) as (app, outside):

        async def swiped(badge: str) -> str:
            _, writer = await asyncio.open_connection(*app.feeds["desk"].address)
            writer.write(f"{badge}\r\n".encode())
            writer.close()

            async def look() -> str | None:
                known = [one async for one in app.store.badge_facts() if isinstance(one, BadgePresented)]
                return next((one.gateway for one in known if one.badge == app.badges.hashed(badge)), None)

            return await until(look, f"badge {badge}")

        await outside.first_reading("fleet-0001")
        assert await swiped("04A32B1C01") == "gate-old"
        site.more = feed + gateway.format(name="gate-new")
        site.write()
        await hung_up(app)
        assert await swiped("04A32B1C02") == "gate-new"


async def test_what_the_daemon_makes_of_relayed_lines_changes_from_the_next_line_on(site: Site) -> None:
    """The relay itself goes on; a change of what is its own is for its restart, and is refused by nobody."""
    relay = """
[[gateways]]
name = "gate-old"
[[gateways]]
name = "gate-new"
[[relays]]
name = "badges"
listen = "127.0.0.1:0"
forward_to = "{server}"
idle_flush = "50ms"
gateway = "{gateway}"
{more}
"""
    server = ReleaseServer()
    (site.folder / "data").mkdir(mode=0o700)
    async with listening(server.serve) as target, relaying(site.folder / "data", relay_settings(target)) as passing:
        site.more = relay.format(server=target, gateway="gate-old", more="")
        site.write()
        _, writer = await connect(passing)
        async with running(site) as (app, outside):

            async def swiped(line: str, badge: str) -> tuple[str, str]:
                writer.write(f"{line}\r\n".encode())

                async def look() -> tuple[str, str] | None:
                    known = [one async for one in app.store.badge_facts() if isinstance(one, BadgePresented)]
                    hashed = app.badges.hashed(badge)
                    return next(((one.gateway, one.reader) for one in known if one.badge == hashed), None)

                return await until(look, f"badge {badge}")

            await outside.first_reading("fleet-0001")
            assert await swiped("04A32B1C01", "04A32B1C01") == ("gate-old", "")
            more = 'reader = "left"\nprefix = "<"\nsuffix = ">"\nconnections_max = 7'
            site.more = relay.format(server=target, gateway="gate-new", more=more)
            site.write()
            await hung_up(app)
            assert await swiped("<04A32B1C02>", "04A32B1C02") == ("gate-new", "left")
            site.more = site.more.replace('name = "badges"', 'name = "others"')
            site.write()
            await hung_up(app, "refused")
            assert await swiped("<04A32B1C03>", "04A32B1C03") == ("gate-new", "left")
        writer.close()


@pytest.mark.alone
async def test_the_process_outlives_sighup_at_any_time_and_doctor_tells_of_a_refusal(site: Site) -> None:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PAGEREEVE_")}
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)\n" + RUN),
        *("run", "--config", str(site.config)),
        env=environment,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        async with httpx2.AsyncClient() as client:

            async def asked(look: Callable[[dict[str, Any]], bool]) -> bool | None:
                process.send_signal(signal.SIGHUP)
                try:
                    answer = await client.get(f"http://127.0.0.1:{site.port}/readyz")
                except httpx2.TransportError:
                    assert process.returncode is None, "the daemon ended by itself"
                    return None
                return look(answer.json()) or None

            await until(partial(asked, lambda page: bool(page["ready"])), "a daemon that is ready")
            before = site.file("before.toml", site.config.read_text())
            site.config.write_text("this is no TOML")
            # A file that was read while it was being written is refused, too, in other words: doctor is asked with the
            # settings as they were, while the daemon's file stays as it is.
            refused: Callable[[], Awaitable[bool | None]] = partial(
                asked, lambda page: "is no TOML" in str(page.get("notices"))
            )
            await until(refused, "a refusal that is shown")
            status, text = await doctor(before)
            assert status == 1
            assert "is no TOML" in text
            site.write()
            await until(partial(asked, lambda page: "notices" not in page), "the end of the refusal")
        process.send_signal(signal.SIGTERM)
        async with asyncio.timeout(20):
            assert await process.wait() == 0
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
