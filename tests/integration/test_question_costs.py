"""What questions about a whole fleet ask of the database: a number of statements that hardly grows with it."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any, Final

import pytest
from sqlalchemy import Engine, event

from pagereeve.app.clocks import SystemClock
from pagereeve.console.api.site import AskedGateway, AskedPrinter, AskedSite
from pagereeve.store.sqlite.journal import SqlJournal
from tests.asking import asking
from tests.journal_samples import failed, read

PRINTERS: Final = 600
STATEMENTS_MAX: Final = PRINTERS // 20


@pytest.mark.parametrize("path", ["/v1/printers?limit=1000", "/v1/gateways", "/v1/gateways/g-1"])
async def test_a_fleet_takes_few_statements(tmp_path: Path, path: str) -> None:
    names = [f"p-{number:04}" for number in range(PRINTERS)]
    printers = tuple(AskedPrinter(name=name, gateway="g-1", host="192.0.2.1", port=161) for name in names)
    site = AskedSite(printers=printers, gateways=(AskedGateway(name="g-1", checked=True),))
    journal = await SqlJournal.open(tmp_path / "journal.db", SystemClock())
    issued: list[str] = []

    def note(*told: Any) -> None:
        issued.append(told[2])

    try:
        await asyncio.gather(*(journal.observe(name, [read(1, name)], failed(name)) for name in names))
        async with asking(journal, site=site) as client:
            event.listen(Engine, "before_cursor_execute", note)
            answer = await client.get(path)
            event.remove(Engine, "before_cursor_execute", note)
        assert answer.status_code == 200
        assert answer.text.count('"silent":{') in {0, PRINTERS}
        assert 0 < len(issued) <= STATEMENTS_MAX
    finally:
        await journal.close()
