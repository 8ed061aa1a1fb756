"""In the running daemon: three printers behind one agent, a life count that is dead, a unit that nobody says."""

from __future__ import annotations

from pathlib import Path

from pagereeve.app.daemon import App
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Verdict
from pagereeve.settings import PrinterSettings
from tests.integration.daemon import Outside, hasty_settings
from tests.printers import HP, LIFE, UNIT
from tests.snmp_agents import (
    SERIAL_COLUMN,
    SYS_OBJECT,
    Mib,
    MibAgent,
    counter,
    mib_agent,
    name,
    printer_mib,
    small,
    text,
)

PAGES = 7
COUNTED = {"first": f"{LIFE}.1.1", "second": f"{LIFE}.2.1", "third": f"{LIFE}.3.1"}


def print_server() -> Mib:
    """The third says no unit."""
    mib = printer_mib(100, device=1) | printer_mib(200, device=2) | printer_mib(300, device=3)
    serials = {f"{SERIAL_COLUMN}.{device}": text(f"PS-000{device}") for device in (1, 2, 3)}
    return {row: value for row, value in (mib | serials).items() if row != f"{UNIT}.3.1"}


def dead_zero() -> Mib:
    """The standard's count stands at 0; the maker's goes on."""
    return printer_mib(0) | {SYS_OBJECT: name("1.3.6.1.4.1.11.2.3.9.1"), f"{HP}.5.0": small(15_000)}


async def test_each_release_is_counted_at_its_own_printer(tmp_path: Path) -> None:
    server, dead = MibAgent(print_server()), MibAgent(dead_zero())
    async with mib_agent(server) as raw, mib_agent(dead) as other:
        printers = [
            PrinterSettings(name="first", host="127.0.0.1", port=raw.port, device=1),
            PrinterSettings(name="second", host="127.0.0.1", port=raw.port, serial="PS-0002"),
            PrinterSettings(name="third", host="127.0.0.1", port=raw.port, device=3, serial="PS-0003"),
            PrinterSettings(name="dead", host="127.0.0.1", port=other.port),
        ]
        settings = hasty_settings(tmp_path / "data", printers)
        async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
            for printer in (*COUNTED, "dead"):
                await outside.first_reading(printer)
                assert (await outside.started(f"r-{printer}", printer, PAGES, Prefer="wait=5")).status_code == 200
            server.mib |= {row: counter(100 * at + PAGES) for at, row in enumerate(COUNTED.values(), 1)}
            dead.mib[f"{HP}.5.0"] = small(15_000 + PAGES)
            for printer in (*COUNTED, "dead"):
                assert (await outside.ended(f"r-{printer}")).status_code == 200
            for printer in (*COUNTED, "dead"):
                charge = await outside.closed_charge(f"r-{printer}")
                assert (charge.counted, charge.verdict) == (PAGES, Verdict.AGREES), printer
            sights = {
                name: watcher.last_good.sight for name, watcher in app.registry.watchers.items() if watcher.last_good
            }
    assert {name: sight.serial for name, sight in sights.items() if name in COUNTED} == {
        "first": "PS-0001",
        "second": "PS-0002",
        "third": "PS-0003",
    }
    third, total = sights["third"].count("total"), sights["dead"].count("total")
    assert third is not None
    assert third.unit is Unit.UNKNOWN
    assert total is not None
    assert total.object == f"{HP}.5.0"
    assert {one.object: one.value for one in sights["dead"].counters}[f"{LIFE}.1.1"] == 0
