"""The whole path through a real translator: print data and SNMP by one outer address, Debian's snmpd behind it."""

from __future__ import annotations

from pathlib import Path

from pydantic import SecretStr

from pagereeve.app.daemon import App
from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.facts.reading import Reading
from pagereeve.domain.ledger import Grade, Verdict
from pagereeve.settings import PrinterSettings
from tests.findings import lines_of
from tests.integration.daemon import Outside, hasty_settings, until
from tests.integration.foreign import COMMUNITY, PrinterObjects, Snmpd, snmpget
from tests.integration.netns import Gateway
from tests.integration.rawport import PRINT_PORT, print_port, printed
from tests.snmp_agents import LIFE, PRINTER_OBJECT_ID, ROUTER_OBJECT_ID

PRINTER = "behind-the-box"
SNMP_FORWARDED = 1161
PAGES = 7


async def test_a_release_is_bracketed_through_the_gateway_and_the_box_is_no_printer(tmp_path: Path) -> None:
    # librenms/librenms#2427, openwrt/packages#7980: several devices behind one address; the gateway answers for itself
    objects = PrinterObjects(tmp_path / "objects", count=500)
    with Gateway() as gateway:
        gateway.forward("udp", SNMP_FORWARDED, 161)
        gateway.forward("tcp", PRINT_PORT, PRINT_PORT)
        behind = Snmpd(
            tmp_path / "printer",
            object_id=PRINTER_OBJECT_ID,
            listen="0.0.0.0:161",
            objects=objects,
            spawn=gateway.inside,
        )
        # The box's own agent stands where the forward would be: it answers as soon as the forward is gone.
        listen = f"{gateway.address}:{SNMP_FORWARDED}"
        box = Snmpd(tmp_path / "box", object_id=ROUTER_OBJECT_ID, listen=listen, spawn=gateway.on_box)
        gateway.inside(print_port(objects.path))
        printer = PrinterSettings(
            name=PRINTER, host=gateway.address, port=SNMP_FORWARDED, community=SecretStr(COMMUNITY)
        )
        settings = hasty_settings(tmp_path / "data", [printer])
        async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
            with behind:
                await a_release(outside, gateway)
            # The box goes on translating what it has translated before, so the printer itself must be gone too.
            gateway.drop_forwards()
            with box:
                await the_box_answers(outside)


async def a_release(outside: Outside, gateway: Gateway) -> None:
    await outside.first_reading(PRINTER)
    gated = await outside.started("r1", PRINTER, PAGES, Prefer="wait=5")
    assert gated.status_code == 200
    assert gated.json()["reading"] == "in-hand"
    await printed(gateway.address, PAGES)
    assert (await outside.ended("r1")).status_code == 200
    charge = await outside.closed_charge("r1")
    assert (charge.counted, charge.charged, charge.verdict, charge.grade) == (PAGES, PAGES, Verdict.AGREES, Grade.TIGHT)
    seen = outside.app.registry.watchers[PRINTER].last_good
    assert seen is not None
    count = seen.sight.count("total")
    assert count is not None
    assert count.value == 500 + PAGES
    assert snmpget(f"{gateway.address}:{SNMP_FORWARDED}", f"{LIFE}.1.1") == str(count.value)


async def the_box_answers(outside: Outside) -> None:
    finding = await outside.finding("wrong-responder", PRINTER)
    assert "no Printer-MIB" in "\n".join(lines_of(finding))
    watcher = outside.app.registry.watchers[PRINTER]
    assert not isinstance(watcher.last, Reading)
    facts = [stored.fact async for stored in outside.app.store.facts(PRINTER)]
    counts = [fact.plateau.sight.count("total") for fact in facts if isinstance(fact, PlateauRead)]
    assert {count.value for count in counts if count is not None} <= set(range(500, 501 + PAGES))

    async def is_down() -> bool | None:
        return f'pagereeve_meter_up{{printer="{PRINTER}"}} 0' in await outside.metrics() or None

    await until(is_down, "the metric that says the meter is not read")
    assert f'pagereeve_meter_reading{{printer="{PRINTER}",channel="total"}} {500 + PAGES}' in await outside.metrics()
    charges = [charge async for charge in outside.app.store.charges(0, 2**62)]
    assert [charge.release.release for charge in charges] == ["r1"]
