"""SIGHUP in tests: a site whose settings file is written again and again, and the daemon that reads it."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.settings import load_settings
from pagereeve.simulator.college.fleet import Fleet
from tests.integration.daemon import Outside, until
from tests.integration.test_service_manager import free_ports

BEGIN = """
data_dir = "{folder}/data"
[http]
listen = "127.0.0.1:{port}"
{http}
[watch]
baseline = "1s"
sleeper_backoff_max = "2s"
read_timeout = "500ms"
poll_first = "100ms"
poll_longest = "1s"
[policy]
settle = "1s"
first_page_floor = "100ms"
unmoved_wait = "4s"
speed_per_minute = 6_000
"""
SECOND_US = 1_000_000
LEDGER_S = 10.0


@dataclass
class Site:
    """A settings file that is written again and again, and the printers that it names."""

    folder: Path
    port: int
    fleet: Fleet
    http: str = ""
    more: str = ""
    printers: dict[str, str] = field(default_factory=dict)

    @property
    def config(self) -> Path:
        return self.folder / "pagereeve.toml"

    def has(self, name: str, more: str = "", community: str = "public") -> None:
        """The fleet's printer of that name is in the settings."""
        port = self.fleet.addresses()[name][1]
        address = f'host = "127.0.0.1"\nport = {port}\ncommunity = "{community}"'
        self.printers[name] = f'[[printers]]\nname = "{name}"\n{address}\n{more}\n'

    def write(self) -> None:
        begin = BEGIN.format(folder=self.folder, port=self.port, http=self.http)
        self.config.write_text(begin + self.more + "".join(self.printers.values()))

    def file(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text)
        path.chmod(0o600)
        return path


@asynccontextmanager
async def site_in(folder: Path) -> AsyncIterator[Site]:
    fleet = Fleet(3, SystemClock())
    await fleet.start()
    one = Site(folder, free_ports(1)[0], fleet)
    one.has("fleet-0001")
    one.has("fleet-0002")
    one.write()
    try:
        yield one
    finally:
        await fleet.stop()


@asynccontextmanager
async def running(site: Site) -> AsyncIterator[tuple[App, Outside]]:
    """The daemon as `pagereeve run` has it: SIGHUP to this process reads the file again."""
    load = partial(load_settings, site.config, {})
    async with App(load(), first_reads_spread_s=0.1, load=load) as app, Outside(app) as outside:
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGHUP, app.reloader.ask)
        try:
            yield app, outside
        finally:
            loop.remove_signal_handler(signal.SIGHUP)


async def hung_up(app: App, outcome: str = "applied") -> None:
    """Send SIGHUP, and wait for what comes of it."""
    before = app.reloader.telemetry().outcomes
    os.kill(os.getpid(), signal.SIGHUP)

    async def look() -> bool | None:
        return app.reloader.telemetry().outcomes != before or None

    await until(look, "the end of a reload")
    after = app.reloader.telemetry().outcomes
    assert {name: after[name] - before[name] for name in after if after[name] != before[name]} == {outcome: 1}
