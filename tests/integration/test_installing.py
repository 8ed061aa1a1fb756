"""Printers added from the console's pages at a running daemon: read first, then added and read, or taken away again."""

from __future__ import annotations

import asyncio
import re
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from subprocess import run

import httpx2
import pytest
import structlog

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.installation import examine
from pagereeve.app.installing.unjudged import NAME as NOTE
from pagereeve.app.installing.unjudged import unjudged
from pagereeve.app.settings_file import SettingsFile
from pagereeve.ports.credentials import StoredCredential
from pagereeve.settings import load_settings
from pagereeve.store.sql.credentials import add_credential
from pagereeve.store.sqlite.credential_changes import changes
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.installing import ADD, IMPORT, accesses, draft_of, same_page, sent, token_of, uploaded
from tests.integration.daemon import Outside, until
from tests.integration.reloading import Site, site_in
from tests.signing_in import Browser, account

INCLUDE = 'include = ["printers.d/*.toml"]\n'
MORE = "\n[limits]\nrequests_max = 7\n"


@pytest.fixture
async def site(tmp_path: Path) -> AsyncIterator[Site]:
    """With the first of three printers in its settings."""
    async with site_in(tmp_path) as one:
        del one.printers["fleet-0002"]
        one.write()
        one.config.write_text(INCLUDE + one.config.read_text())
        yield one


@asynccontextmanager
async def installing(site: Site) -> AsyncIterator[tuple[App, Outside, Browser]]:
    data = site.folder / "data"
    data.mkdir(mode=0o700)
    await (await SqlJournal.open(data / JOURNAL_NAME, SystemClock())).close()
    with changes(data / JOURNAL_NAME) as connection:
        add_credential(connection, StoredCredential(account("mara", "read", "install"), 0))
    load = SettingsFile(site.config)
    async with App(load(), first_reads_spread_s=0.0, load=load) as app, Outside(app) as outside:
        outside.client.timeout = httpx2.Timeout(60.0)
        browser = Browser(outside.client, outside.url)
        await browser.sign_in("mara")
        yield app, outside, browser


async def read(browser: Browser, site: Site, name: str) -> httpx2.Response:
    host, port = site.fleet.addresses()[name]
    access = (await accesses(browser))["SNMP v2c, community public"]
    fields = {"csrf": await token_of(browser), "name": name, "host": str(host), "port": str(port), "access": access}
    return await sent(browser, ADD, {**fields, "pin": "yes"})


async def confirmed(browser: Browser, page: httpx2.Response, path: str = ADD) -> str:
    fields = {"csrf": await token_of(browser), "draft": draft_of(page)}
    return (await sent(browser, f"{path}/confirm", fields)).text


async def test_printers_are_read_then_added_by_hand_and_by_a_list(site: Site) -> None:
    async with installing(site) as (app, outside, browser):
        page = await one_by_hand(app, browser, site)
        assert "Added to the settings" in await confirmed(browser, page)
        assert app.reloader.telemetry().trouble == ""
        [file] = (site.folder / "printers.d").iterdir()
        text = file.read_text()
        assert file.name == "added-fleet-0003.toml"
        assert file.stat().st_mode & 0o777 == site.config.stat().st_mode & 0o666
        assert re.match(r"# Added on the console's page by mara, 20\d\d-\S+Z\. It is the settings' own now", text)
        assert 'serial = "FL-000003"' in text
        await many_by_a_list(browser, site)
        asked = "/v1/printers/fleet-0003/check"
        checked = (await browser.post(asked, {}, pagereeve_csrf=await token_of(browser))).json()
        assert (checked["meter"]["answers"], checked["meter"]["total"], checked["serial"]) == (True, 3, "FL-000003")
        async with asyncio.timeout(20):
            await outside.first_reading("fleet-0003")
            await outside.first_reading("fleet-0002")
        assert app.registry.behind("gw") == ["fleet-0002"]
        assert {one.name for one in load_settings(site.config, {}).printers} == set(site.fleet.printers)
        assert "1 thing has to be corrected" in (await read(browser, site, "fleet-0003")).text


async def one_by_hand(app: App, browser: Browser, site: Site) -> httpx2.Response:
    """Read, and refused by a reload: nothing of it is left, and the daemon would start."""
    begun = site.fleet.printers["fleet-0003"].answers
    page = await read(browser, site, "fleet-0003")
    assert "Its total stands at 3" in page.text
    assert site.fleet.printers["fleet-0003"].answers > begun
    assert (sorted(app.registry.watchers), (site.folder / "printers.d").exists()) == (["fleet-0001"], False)

    before = site.config.read_text()
    site.config.write_text(before + MORE)
    refused = await confirmed(browser, page)
    assert "Not added: the daemon refused the settings with it." in refused
    assert "limits.requests_max: can&#39;t change while the daemon runs" in refused
    assert list((site.folder / "printers.d").iterdir()) == []
    assert (sorted(app.registry.watchers), app.reloader.telemetry().outcomes["refused"]) == (["fleet-0001"], 2)
    site.config.write_text(before)
    assert len(load_settings(site.config, {}).printers) == 1
    return page


async def many_by_a_list(browser: Browser, site: Site) -> None:
    host, port = site.fleet.addresses()["fleet-0002"]
    rows = f"name,host,port,gateway,gateway_host,wing\nfleet-0002,{host},{port},gw,127.0.0.1,north\n"
    token = await token_of(browser, IMPORT)
    fields = {"csrf": token, "list": "", "list_name": ""}
    page = await uploaded(browser, fields, "Branches (old).csv", rows.encode())
    assert "2 new entries" in page.text
    assert "<q>wing</q>" in page.text
    draft = draft_of(page)
    await sent(browser, f"{IMPORT}/check", {"csrf": token, "draft": draft})

    async def looked() -> str | None:
        text = (await browser.get(same_page(draft))).text
        return text if "Yes: 1 meter can be read." in text else None

    assert "FL-000002" in await until(looked, "the end of the check")
    target = site.folder / "printers.d" / "branches-old.toml"
    assert not target.exists()
    assert "2 entries were added" in await confirmed(browser, page, IMPORT)
    made = target.read_text()
    assert made.startswith("# Made by pagereeve printers import, sha256 ")
    assert "# The list came through the console's page by mara, " in made


# Kills the process that adds a printer once its file is there, and before a reload has judged it.
KILLED = """
import asyncio, os, signal, sys
from functools import partial
from pathlib import Path
from pagereeve.app.installing.adding import Adder
from pagereeve.app.installing.entries import plan_entry

async def killed():
    os.kill(os.getpid(), signal.SIGKILL)

config, port = Path(sys.argv[1]), int(sys.argv[2])
folder = config.parent
target = folder / "printers.d" / "added-fleet-0003.toml"
members = {"name": "fleet-0003", "host": "127.0.0.1", "port": port, "community": "public"}
adder = Adder(config, folder / "data", killed)
asyncio.run(adder.add(target, partial(plan_entry, members, config, target, "A note."), "mara"))
"""


async def test_a_daemon_killed_before_a_file_is_judged_says_so_when_it_starts(site: Site) -> None:
    data, port = site.folder / "data", str(site.fleet.addresses()["fleet-0003"][1])
    data.mkdir(mode=0o700)
    argv = [sys.executable, "-c", KILLED, str(site.config), port]
    assert (await asyncio.to_thread(run, argv, check=False)).returncode == -signal.SIGKILL
    target = site.folder / "printers.d" / "added-fleet-0003.toml"
    half = target.with_name(".adding-half")
    half.write_text("[[printers]]\nname = ")
    assert (target.exists(), unjudged(data)) == (True, str(target))
    load = SettingsFile(site.config)
    assert (await examine(load(), [], data / JOURNAL_NAME)).unjudged == str(target)
    with structlog.testing.capture_logs() as logged:
        async with App(load(), first_reads_spread_s=0.0, load=load) as app, Outside(app) as outside:
            async with asyncio.timeout(20):
                await outside.first_reading("fleet-0003")
    assert [one["file"] for one in logged if one["event"].startswith("a page wrote this file")] == [str(target)]
    assert (unjudged(data), (data / NOTE).exists(), half.exists()) == ("", False, False)


async def test_what_somebody_changed_since_is_theirs(site: Site) -> None:
    data, port = site.folder / "data", str(site.fleet.addresses()["fleet-0003"][1])
    data.mkdir(mode=0o700)
    await asyncio.to_thread(run, [sys.executable, "-c", KILLED, str(site.config), port], check=False)
    target = site.folder / "printers.d" / "added-fleet-0003.toml"
    target.write_text(target.read_text() + "# by hand\n")
    assert unjudged(data) == ""
    (data / NOTE).write_text("[")
    assert unjudged(data) == ""
