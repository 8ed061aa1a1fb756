"""Patroni's failover while events come, set up as contrib/patroni.yml says: nothing acknowledged is lost."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from pagereeve.app.daemon import App
from pagereeve.settings.journal import JournalSettings
from tests.integration.away import back
from tests.integration.daemon import Outside, hasty_settings
from tests.integration.patroni_cluster import cluster, wait_for
from tests.integration.test_postgres_daemon import journal_settings
from tests.integration.test_postgres_failover import EACH, LANES, acknowledged, stored, under_load


@pytest.mark.timeout(400)
async def test_the_leader_dies_under_load_and_comes_back_as_a_standby(tmp_path: Path) -> None:
    with cluster() as servers:
        leader = servers.leader()
        assert leader is not None
        other = next(one for one in servers.nodes if one is not leader)
        address = leader.server.new_database()
        password = journal_settings(address, tmp_path).password_file
        journal = JournalSettings(url=servers.url(address), password_file=password)
        async with App(hasty_settings(tmp_path / "data", [], journal=journal)) as app, Outside(app) as outside:

            async def fail_over() -> None:
                await asyncio.to_thread(leader.die)
                await asyncio.to_thread(wait_for, lambda: servers.leader() is other, "another leader")

            known = await under_load(outside, LANES * EACH // 3, fail_over)
            assert stored(other.server, address) == sorted(known)
            leader.start()
            await asyncio.to_thread(wait_for, servers.has_synchronous, "the old leader as a standby")
            last = await acknowledged(outside, "last")
            await back(app)
            assert stored(other.server, address) == sorted([*known, last])
