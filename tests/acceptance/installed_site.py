"""A site that people work at: two months to close, printers to add, and an OpenID provider to sign in at."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeVar

from pagereeve.app.clocks import SystemClock
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.acceptance.console_sites import ConsoleSite, running_site
from tests.acceptance.process import a_free_port
from tests.closed_month import fill_december, fill_november
from tests.journal_samples import read
from tests.openid_provider import CLIENT, SECRET, OpenIdProvider

Value = TypeVar("Value")
CALM: Final = "2025-11"
"""Nothing stands in the way of closing it; in December 2025 a finding does."""
END_S: Final = 10.0


@dataclass
class Outside:
    """What is no browser's and no daemon's: it lives in a loop of its own, since Playwright's runs in this thread."""

    loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.new_event_loop)

    def do(self, wanted: Awaitable[Value]) -> Value:
        async def awaited() -> Value:
            return await wanted

        return asyncio.run_coroutine_threadsafe(awaited(), self.loop).result(END_S)


@contextmanager
def _outside() -> Iterator[Outside]:
    one = Outside()
    thread = threading.Thread(target=one.loop.run_forever, name="outside")
    thread.start()
    try:
        yield one
    finally:
        one.loop.call_soon_threadsafe(one.loop.stop)
        thread.join(END_S)
        one.loop.close()


@dataclass
class InstalledSite:
    """``fleet`` has three printers, of which the settings name the first."""

    site: ConsoleSite
    fleet: Fleet
    provider: OpenIdProvider
    folder: Path

    def place(self, printer: str) -> tuple[str, str]:
        host, port = self.fleet.addresses()[printer]
        return str(host), str(port)


@contextmanager
def installed_site(folder: Path) -> Iterator[InstalledSite]:
    with _outside() as outside:
        fleet = outside.do(_fleet())
        provider = outside.do(_provider())
        outside.do(_months(folder / JOURNAL_NAME))
        port, config = a_free_port(), folder / "pagereeve.toml"
        (folder / "oidc.secret").write_text(SECRET)
        (folder / "oidc.secret").chmod(0o600)
        config.write_text(_settings(folder, port, provider, fleet.addresses()["fleet-0001"][1]), encoding="utf-8")
        try:
            with running_site(config, port) as site:
                yield InstalledSite(site, fleet, provider, folder)
        finally:
            outside.do(provider.__aexit__())
            outside.do(fleet.stop())


async def _fleet() -> Fleet:
    fleet = Fleet(3, SystemClock())
    await fleet.start()
    return fleet


async def _provider() -> OpenIdProvider:
    return await OpenIdProvider().__aenter__()


async def _months(journal: Path) -> None:
    kept = await SqlJournal.open(journal, SystemClock())
    try:
        await fill_november(kept)
        await fill_december(kept)
        # The daemon's dates go on from the newest fact: months are over for it, too.
        await kept.append(read(103, "annex", at_us=SystemClock().now_us()))
    finally:
        await kept.close()


def _settings(folder: Path, port: int, provider: OpenIdProvider, printer_port: int) -> str:
    return f"""
data_dir = "{folder}"
include = ["printers.d/*.toml"]
[http]
listen = "127.0.0.1:{port}"
[console.oidc]
issuer = "{provider.issuer}"
client_id = "{CLIENT}"
client_secret_file = "oidc.secret"
public_address = "http://127.0.0.1:{port}"
sign_out_there = true
[watch]
baseline = "1s"
read_timeout = "500ms"
[[printers]]
name = "fleet-0001"
host = "127.0.0.1"
port = {printer_port}
community = "public"
"""
