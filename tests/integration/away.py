"""A daemon whose journal is in PostgreSQL, and a server that is killed and started again in the middle."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import SecretStr

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.settings import PrinterSettings, Settings
from pagereeve.simulator.printer.model import PrinterSpec
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.snmp.agent import PrinterAgent
from pagereeve.store.postgres.address import Address
from pagereeve.store.records.kind_forms import short_kind
from tests.integration.daemon import Outside, hasty_settings, until
from tests.integration.postgres_server import Server
from tests.integration.test_postgres_daemon import journal_settings

PRINTER: Final = "teller"
FEED: Final = "door"
GATEWAY: Final = "gate-1"


@dataclass
class Site:
    """``engine`` counts, whatever befalls the daemon."""

    server: Server
    address: Address
    folder: Path
    engine: PrintEngine
    agent: PrinterAgent

    def settings(self, **more: Any) -> Settings:
        host, port = self.agent.address
        printer: Mapping[str, Any] = {"name": PRINTER, "host": host, "port": port, "community": SecretStr("testread")}
        return hasty_settings(
            self.folder / "data",
            [PrinterSettings(**printer, gateway=GATEWAY)],
            journal=journal_settings(self.address, self.folder),
            gateways=[{"name": GATEWAY}],
            feeds={"lines": [{"name": FEED, "listen": "127.0.0.1:0", "gateway": GATEWAY}]},
            **more,
        )

    @asynccontextmanager
    async def running(self, **more: Any) -> AsyncIterator[tuple[App, Outside]]:
        async with App(self.settings(**more), first_reads_spread_s=0.0) as app, Outside(app) as outside:
            await outside.first_reading(PRINTER)
            yield app, outside

    def rows(self, statement: str) -> list[str]:
        return self.server.run(statement, self.address.database).splitlines()

    def stored(self, kind: str) -> list[str]:
        """Ids of events, in order of their instants."""
        return self.rows(f"SELECT event_id FROM fact WHERE kind = '{short_kind(kind)}' ORDER BY at_us, seq")


@asynccontextmanager
async def site(server: Server, folder: Path) -> AsyncIterator[Site]:
    clock = SystemClock()
    engine = PrintEngine(PrinterSpec(PRINTER, impressions_per_minute=240, warm_up_us=0), 1, clock.now_us())
    agent = PrinterAgent(engine, clock, community="testread")
    await agent.start()
    address = server.new_database()
    try:
        yield Site(server, address, folder, engine, agent)
    finally:
        await agent.stop()
        server.drop(address)


async def gone(app: App) -> str:
    """Once the daemon knows that its database is away; what it says of it."""

    async def look() -> str | None:
        return app.store.trouble() if app.store.health().hindrance == "away" else None

    return await until(look, "the journal to be away")


async def back(app: App) -> None:
    async def look() -> bool | None:
        return None if app.store.trouble() or app.supervisor.failing else True

    await until(look, "the journal to be back, and every task at work")


async def lines(app: App, *numbers: str, pause_s: float = 0.0) -> None:
    """As a gateway sends them: it waits for no answer."""
    _, writer = await asyncio.open_connection(*app.feeds[FEED].address)
    try:
        for number in numbers:
            writer.write(f"{number}\n".encode())
            await writer.drain()
            await asyncio.sleep(pause_s)
    finally:
        writer.close()
        await writer.wait_closed()
