"""The primary dies while events come, and its synchronous standby takes over: nothing acknowledged is lost."""

from __future__ import annotations

import asyncio
import signal
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import httpx2
import pytest

from pagereeve.app.daemon import App
from pagereeve.cli import status_of
from pagereeve.settings.journal import JournalSettings
from pagereeve.store.errors import CantOpen
from pagereeve.store.postgres.address import Address
from pagereeve.store.records.kind_forms import short_kind
from tests.integration.away import back
from tests.integration.daemon import Outside, hasty_settings, until
from tests.integration.postgres_pair import Pair, pair
from tests.integration.postgres_server import Server
from tests.integration.test_postgres_daemon import journal_settings, settings_file

LANES, EACH = 4, 12
LONGEST_S = 90.0
STARTED = "pagereeve.release.started.v1"


def both(servers: Pair, address: Address, folder: Path) -> JournalSettings:
    one = journal_settings(address, folder)
    return JournalSettings(url=servers.url(address), password_file=one.password_file)


async def acknowledged(outside: Outside, name: str) -> str:
    """Sent as a release server does: again, until it is answered."""
    deadline = time.monotonic() + LONGEST_S
    while not await is_acknowledged(outside, name):
        assert time.monotonic() < deadline, name
        await asyncio.sleep(0.05)
    return f"{name}.started"


async def is_acknowledged(outside: Outside, name: str) -> bool:
    try:
        answer = await outside.started(name, "elsewhere", 5)
    except httpx2.TimeoutException:
        # A group that was sent may wait for its server for longer than this client.
        return False
    # 408: the machine was too busy to take the request.
    assert answer.status_code in {200, 408, 503}, answer.text
    assert answer.status_code != 503 or "retry-after" in answer.headers
    return answer.status_code == 200


def stored(server: Server, address: Address) -> list[str]:
    said = server.run(
        f"SELECT event_id FROM fact WHERE kind = '{short_kind(STARTED)}' ORDER BY event_id", address.database
    )
    return said.splitlines()


async def under_load(outside: Outside, at: int, what: Callable[[], Awaitable[None]]) -> list[str]:
    """What was acknowledged, of senders in lanes; ``what`` befalls the servers once ``at`` are."""
    known: list[str] = []

    async def lane(number: int) -> None:
        for nth in range(EACH):
            name = await acknowledged(outside, f"{number}-{nth}")
            known.append(name)

    sending = asyncio.gather(*(lane(number) for number in range(LANES)))
    while len(known) < at:  # noqa: ASYNC110 - it has no event
        await asyncio.sleep(0.01)
    before = list(known)
    await what()
    await sending
    assert set(before) < set(known)
    return known


@pytest.mark.timeout(300)
async def test_a_standby_takes_over_while_events_come_and_the_old_primary_is_used_no_more(tmp_path: Path) -> None:
    with pair() as servers:
        address = servers.primary.new_database()
        journal = both(servers, address, tmp_path)
        async with App(hasty_settings(tmp_path / "data", [], journal=journal)) as app, Outside(app) as outside:

            async def fail_over() -> None:
                await asyncio.to_thread(servers.fail_over)

            known = await under_load(outside, LANES * EACH // 3, fail_over)
            assert stored(servers.standby, address) == sorted(known)
            await back(app)
            await the_old_primary_comes_back(servers, app, outside, address)
        config = settings_file(journal, tmp_path)
        assert await asyncio.to_thread(status_of, ["verify", "--config", str(config)]) == 0


async def the_old_primary_comes_back(servers: Pair, app: App, outside: Outside, address: Address) -> None:
    """Nobody keeps it from taking writes, and the daemon's url names it first."""
    servers.primary.start()
    left = stored(servers.primary, address)
    servers.standby.run("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'pagereeve'")
    split = await acknowledged(outside, "split")
    assert split in stored(servers.standby, address)
    # Now it is the only one. It lacks what was acknowledged since.
    servers.standby.die()
    refused = await until(lambda: known_to_lack(app), "the daemon to say what is missing")
    assert "acknowledged facts are missing, as this daemon knows" in refused
    assert (await outside.started("nobody", "elsewhere", 5)).status_code == 503
    servers.standby.start()
    last = await acknowledged(outside, "last")
    await back(app)
    assert {split, last} < set(stored(servers.standby, address))
    assert stored(servers.primary, address) == left
    servers.primary.stop()
    servers.primary.start()
    assert stored(servers.primary, address) == left


async def known_to_lack(app: App) -> str | None:
    trouble = app.store.trouble()
    return trouble if "missing" in trouble else None


@pytest.mark.timeout(300)
async def test_a_commit_that_the_standby_lacks_is_not_acknowledged_though_it_is_seen(tmp_path: Path) -> None:
    """A server whose session ends while its commit waits for the standby shows that commit all the same."""
    with pair() as servers:
        address = servers.primary.new_database()
        settings = hasty_settings(tmp_path / "data", [], journal=both(servers, address, tmp_path))
        servers.primary.run(f"ALTER DATABASE {address.database} SET synchronous_commit = local")
        with pytest.raises(CantOpen, match="synchronous_commit local and synchronous_standby_names"):
            await App(settings).__aenter__()
        servers.primary.run(f"ALTER DATABASE {address.database} RESET synchronous_commit")
        async with App(settings) as app, Outside(app) as outside:
            await acknowledged(outside, "before")
            servers.standby.signal_all(signal.SIGSTOP)
            asked = asyncio.create_task(outside.started("seen", "elsewhere", 5))
            await until(lambda: ended_waiting(servers.primary), "a commit that waits for the standby")
            await until(lambda: is_seen(servers.primary, address, "seen.started"), "the commit to be seen")
            await asyncio.wait({asked}, timeout=5.0)
            assert not asked.done() or asked.result().status_code == 503
            servers.primary.die()
            servers.standby.signal_all(signal.SIGCONT)
            await asyncio.to_thread(servers.take_over)
            await asyncio.wait({asked})
            last = await acknowledged(outside, "seen")
            await back(app)
        assert stored(servers.standby, address) == ["before.started", last]


async def ended_waiting(server: Server) -> bool | None:
    asked = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE wait_event = 'SyncRep'"
    return server.run(asked) == "t" or None


async def is_seen(server: Server, address: Address, name: str) -> bool | None:
    return name in stored(server, address) or None
