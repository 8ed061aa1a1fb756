"""A centre's journal, and a site's, is backed up and restored, or moved into a database: forwarding goes on."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from pathlib import Path

import pytest

from pagereeve.cli import status_of
from pagereeve.queries.verify import verify
from pagereeve.settings import Settings
from pagereeve.store.postgres.address import Address
from tests.integration.daemon import Outside, hasty_settings
from tests.integration.processes import free_tcp_port
from tests.integration.test_forwarding_centre import centre_settings, held_all, running, site_settings
from tests.integration.test_postgres_daemon import journal_settings, settings_file


@dataclass
class Pair:
    """A site and a centre, each with a folder for its settings files; the centre's port stays."""

    folder: Path
    port: int

    @classmethod
    def of(cls, folder: Path) -> Pair:
        return cls(folder, free_tcp_port())

    def settings(self, who: str) -> Settings:
        if who == "centre":
            return centre_settings(self.folder, self.port)
        return site_settings(self.folder, "annex", self.port)

    def in_database(self, who: str, address: Address) -> Settings:
        journal = journal_settings(address, self.folder / "database")
        known = self.settings(who)
        return hasty_settings(known.data_dir, known.printers, http=known.http, forward=known.forward, journal=journal)

    async def command(self, *argv: str) -> None:
        assert await asyncio.to_thread(status_of, argv) == 0, argv


async def forwarded(centre: Outside, annex: Outside, name: str) -> int:
    """One release more is there, all is, and what is there is whole."""
    assert (await annex.started(name, "hall", 1)).status_code == 200
    place = await held_all(centre, annex, "annex")
    origin = await annex.app.store.own_origin()
    held = await centre.app.store.held_places(origin, 0, 1_000)
    assert list(held) == list(range(1, place + 1))
    releases = [getattr(one.fact, "release", "") async for one in centre.app.store.facts("annex/hall")]
    assert releases.count(name) == 1
    assert (await verify(centre.app.store)).problems == []
    return place


@pytest.mark.parametrize("who", ["centre", "annex"])
async def test_a_journal_that_is_restored_from_a_backup_of_now_goes_on(tmp_path: Path, who: str) -> None:
    pair, copy = Pair.of(tmp_path), tmp_path / "copy"
    async with running(pair.settings("centre")) as centre, running(pair.settings("annex")) as annex:
        before = await forwarded(centre, annex, "before")
    where = ("--data-dir", str(pair.settings(who).data_dir))
    await pair.command("backup", str(copy), *where)
    await pair.command("restore", str(copy), *where)
    async with running(pair.settings("centre")) as centre, running(pair.settings("annex")) as annex:
        assert await forwarded(centre, annex, "after") > before


async def test_what_a_restored_centre_lost_is_forwarded_again(tmp_path: Path) -> None:
    pair, copy = Pair.of(tmp_path), tmp_path / "copy"
    where = ("--data-dir", str(pair.settings("centre").data_dir))
    async with running(pair.settings("annex")) as annex:
        async with running(pair.settings("centre")) as centre:
            await forwarded(centre, annex, "before")
        await pair.command("backup", str(copy), *where)
        async with running(pair.settings("centre")) as centre:
            for number in range(4):
                await forwarded(centre, annex, f"lost-{number}")
        await pair.command("restore", str(copy), "--accept-loss", *where)
        async with running(pair.settings("centre")) as centre:
            await forwarded(centre, annex, "after")
            releases = {getattr(one.fact, "release", "") async for one in centre.app.store.facts("annex/hall")}
            assert {"before", "lost-0", "lost-3", "after"} <= releases


@pytest.mark.timeout(300)
@pytest.mark.parametrize("who", ["centre", "annex"])
async def test_a_journal_that_was_moved_into_a_database_goes_on(
    tmp_path: Path, new_database: Address, who: str
) -> None:
    pair = Pair.of(tmp_path)
    async with running(pair.settings("centre")) as centre, running(pair.settings("annex")) as annex:
        before = await forwarded(centre, annex, "before")
    moved = pair.in_database(who, new_database)
    config = settings_file(moved.journal, tmp_path / "database")
    config.write_text(config.read_text().replace(str(tmp_path / "database" / "data"), str(moved.data_dir)))
    await pair.command("move", "--config", str(config))
    settings = {"centre": pair.settings("centre"), "annex": pair.settings("annex"), who: moved}
    async with running(settings["centre"]) as centre, running(settings["annex"]) as annex:
        assert await forwarded(centre, annex, "after") > before
